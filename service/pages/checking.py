"""What would come of a document if it were kept: the interface's own checks, with nothing kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from anyio.to_thread import run_sync

from service.api.refusals import from_intake, from_record
from service.api.storage import Storage
from service.intake import submission
from service.intake.documents import ReplicationDocument, Revision
from service.intake.ferment_report import ferments, is_logged
from service.intake.refusals import Refused
from service.intake.report_models import FermentReport, Report
from service.pages.intent import Intent, carry_out
from service.pages.received import read_as
from service.pages.sessions import Visitor
from service.record import questions
from service.record.errors import RecordError

if TYPE_CHECKING:
    from service.record.database import Session


class _NotKept(Exception):  # noqa: N818  it says what happened
    """Ends a transaction that only looked what would come of it."""

    def __init__(self, report: Report) -> None:
        super().__init__()
        self.report = report


@dataclass(frozen=True, slots=True)
class Checked:
    """A document that would be taken, the report that it would have, and what is meant to be done with it."""

    document: ReplicationDocument
    report: Report
    question: str
    intent: Intent


async def check(storage: Storage, document: Mapping[str, Any], visitor: Visitor | None, intent: Intent) -> Checked:
    """Make the checks of a submission, in the inner rooms' own way; refusals come as problems."""
    read = replication_of({**document, "state": intent.state}, intent)
    followed = await follow(read)

    def look(session: "Session") -> tuple[Report, str]:
        report = submission.check_only(session, read)
        return report, questions.by_slug(session, read.question).title

    try:
        report, title = await storage.read(look)
        if intent.about is not None and visitor is not None:
            report = await _looked_ahead(storage, read, visitor, intent, followed)
    except Refused as refused:
        raise from_intake(refused) from None
    except RecordError as error:
        raise from_record(error) from None
    return Checked(read, report, title, intent)


def replication_of(document: Mapping[str, Any], intent: Intent) -> ReplicationDocument:
    """Read a document as the interface does, or raise what is wrong with it, or with the reason for its change."""
    reason = {"reason": intent.reason} if intent.reason.strip() else {}
    return read_as(Revision, {**document, **reason}).document()


async def follow(document: ReplicationDocument) -> list[FermentReport]:
    """Follow the ferments before a write begins: others would wait for it."""
    return await run_sync(ferments, document.batches) if is_logged(document.batches) else []


async def _looked_ahead(
    storage: Storage, document: ReplicationDocument, visitor: Visitor, intent: Intent, followed: list[FermentReport]
) -> Report:
    """See what a replication's report would be, its stamp and its sealed trials counted, and keep nothing."""

    def try_it(session: "Session") -> None:
        raise _NotKept(carry_out(session, visitor, document, intent, followed).report)

    try:
        await storage.write(try_it)
    except _NotKept as seen:
        return seen.report
    raise AssertionError("unreachable")
