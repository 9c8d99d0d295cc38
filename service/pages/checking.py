"""What would come of a replication if it were kept: the interface's own checks, with nothing kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

from pydantic import ValidationError

from service.api.problems import from_validation
from service.api.refusals import from_intake
from service.api.storage import Storage
from service.intake import submission
from service.intake.documents import ReplicationDocument, Revision
from service.intake.refusals import Refused
from service.intake.report_models import Report
from service.intake.strict import plain
from service.pages.sessions import Visitor
from service.record import contributors, questions

if TYPE_CHECKING:
    from service.record.database import Session


class _NotKept(Exception):  # noqa: N818  it says what happened
    """Ends a transaction that only looked what would come of it."""

    def __init__(self, report: Report) -> None:
        super().__init__()
        self.report = report


@dataclass(frozen=True, slots=True)
class Checked:
    """A document that would be taken, and the report that it would have."""

    document: ReplicationDocument
    report: Report
    question: str


async def check(storage: Storage, document: Mapping[str, Any], visitor: Visitor | None, about: UUID | None) -> Checked:
    """Make the checks of a submission, in the inner rooms' own way; refusals come as problems."""
    read = validated(document)

    def look(session: "Session") -> tuple[Report, str]:
        report = submission.check_only(session, read)
        return report, questions.by_slug(session, read.question).title

    try:
        report, title = await storage.read(look)
        if about is not None and visitor is not None:
            report = await _looked_ahead(storage, read, visitor, about)
    except Refused as refused:
        raise from_intake(refused) from None
    return Checked(read, report, title)


def validated(document: Mapping[str, Any]) -> ReplicationDocument:
    """Read a document as the interface does, or raise what is wrong with it."""
    try:
        return ReplicationDocument.model_validate(document)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False, include_input=False)
        raise from_validation([{**fault, "loc": ("body", *fault["loc"])} for fault in faults]) from None


async def _looked_ahead(storage: Storage, document: ReplicationDocument, visitor: Visitor, about: UUID) -> Report:
    """See what a registered plan's report would be, its stamp and its sealed trials counted, and keep nothing."""

    def try_it(session: "Session") -> None:
        raise _NotKept(completed(session, document, visitor, about).report)

    try:
        await storage.write(try_it)
    except _NotKept as seen:
        return seen.report
    raise AssertionError("unreachable")


def completed(session: "Session", document: ReplicationDocument, visitor: Visitor, about: UUID) -> submission.Kept:
    """Write the results of a registered plan down and submit it, in one transaction of the caller's."""
    contributor = contributors.get(session, visitor.caller.id)
    replication = submission.owned(session, contributor, about)
    given = {name: value for name, value in plain(document).items() if name != "plan"}
    revision = Revision.model_validate(given)
    submission.put_replication(session, contributor, about, revision, replication.revision)
    return submission.submit_registered(session, contributor, about)
