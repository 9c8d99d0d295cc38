"""What pages read, through the same doors as the interface: the answer as it is sent, and what lies behind it."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any
from uuid import UUID

from fastapi import Depends, Request

from service.api.conditional import IMMUTABLE, REVALIDATE
from service.api.evidence import EvidenceQuery, lasting, position_asked, refuse_unshipped, tag_of
from service.evidence.compared import is_about
from service.intake.documents import ProtocolDocument
from service.pages.layout import mark
from service.pages.received import read_as
from service.pages.wording import flag_rank
from service.record import questions, replication_reads
from service.record.question_columns import state_at

if TYPE_CHECKING:
    from service.record.database import Session
    from service.record.rows import RecordedObservation
    from service.record.tables import Question, Replication

_MOST_LISTED = 50
_TASTED = "perceivable_difference"


@dataclass(frozen=True, slots=True)
class Tasting:
    """What the tasters of one replication answered; a sham sets two vessels of one arm against each other."""

    method: str
    presented: int
    correct: int
    sham: bool
    outside: str | None


@dataclass(frozen=True, slots=True)
class Line:
    """One replication in a list: what it brought, and how it is marked."""

    id: UUID
    household: int | None
    state: str
    at: datetime
    tastings: list[Tasting] = field(default_factory=list)
    differences: list[tuple[str, float]] = field(default_factory=list)
    sealed: bool = False
    registered: bool = False
    vouched: bool = False
    flags: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Asked:
    """A question, its newest protocol and the answer to it, as one page shows them."""

    question: "Question"
    answer: Mapping[str, Any]
    protocol: Mapping[str, Any] | None
    protocol_version: int | None
    lines: list[Line]
    following: int | None
    merged_into: str | None

    @property
    def goals(self) -> list[str]:
        """The outcomes that the newest protocol asks for."""
        return [goal["outcome"] for goal in (self.protocol or {}).get("outcomes", ())]


async def evidence_query(request: Request) -> EvidenceQuery:
    """Read the interface's own filters from a form, whose fields that nobody filled in come along empty."""
    given: dict[str, Any] = {name: value for name, value in request.query_params.multi_items() if value}
    conditions = [value for value in request.query_params.getlist("where") if value]
    return read_as(EvidenceQuery, given | ({"where": conditions} if conditions else {}), "query")


AsFiltered = Annotated[EvidenceQuery, Depends(evidence_query)]


def tag_of_page(question_id: UUID, position: int, query: EvidenceQuery, extra: str = "") -> str:
    """Give the mark of a page: of what the answer depends on, and of the templates that show it."""
    inner = tag_of(question_id, position, query)
    digest = hashlib.sha256(f"{inner}{extra}{mark()}".encode()).hexdigest()[:24]
    return f'"page-{position}-{digest}"'


def kept_for(query: EvidenceQuery) -> str:
    """Say how long a page may be kept: its look changes with the software, so never for ever."""
    return "public, max-age=3600" if lasting(query) == IMMUTABLE else REVALIDATE


def find(session: "Session", slug: str, query: EvidenceQuery) -> tuple["Question", int]:
    """Find a question, and the last entry that touches it at the state asked for."""
    refuse_unshipped(query.method_version)
    question = questions.by_slug(session, slug)
    return question, position_asked(session, question, query.as_of)


def asked(session: "Session", question: "Question", answer: Mapping[str, Any], position: int) -> Asked:
    """Gather what a question's page shows beside its answer."""
    versions = [each for each in questions.protocols(session, question) if each.position <= position]
    newest = versions[-1] if versions else None
    lines, following = listed(session, question, answer, position)
    return Asked(
        question=question,
        answer=answer,
        protocol=complete(newest.document) if newest and newest.document else None,
        protocol_version=newest.version if newest else None,
        lines=lines,
        following=following,
        merged_into=questions.get(session, question.merged_into_id).slug if question.merged_into_id else None,
    )


def complete(document: Mapping[str, Any]) -> Mapping[str, Any]:
    """Fill in what a protocol left out, as the interface shows it."""
    return ProtocolDocument.model_validate(document).model_dump(mode="json")


def listed(
    session: "Session",
    question: "Question",
    answer: Mapping[str, Any],
    position: int,
    after: int | None = None,
) -> tuple[list[Line], int | None]:
    """List a question's submitted replications, newest first, with what each brought to the answer's comparison."""
    found = replication_reads.page(session, question_id=question.id, after=after, limit=_MOST_LISTED + 1)
    arms = (answer["comparison"]["control"], answer["comparison"]["treatment"])
    everything, _ = state_at(session, question.id, position)
    here = everything.where(is_about(everything, arms))
    numbers = _numbered(answer)
    for household in here.households():
        numbers.setdefault(str(household), len(numbers) + 1)
    rows = defaultdict(list)
    for row in here.of_replications([each.id for each in found]):
        rows[row.replication_id].append(row)
    shown = [each for each in found[:_MOST_LISTED] if (each.submitted_position or 0) <= position]
    following = found[_MOST_LISTED - 1].started_position if len(found) > _MOST_LISTED else None
    return [_line(each, rows[each.id], numbers) for each in shown], following


def _numbered(answer: Mapping[str, Any]) -> dict[str, int]:
    """Number households as the drawing of the primary outcome does: in order of receipt."""
    blocks = [answer["perceivable_difference"], *answer["measured"].values()]
    primary = next((block for block in blocks if block["primary"]), blocks[0])
    numbers: dict[str, int] = {}
    for study in primary["studies"]:
        numbers.setdefault(study["household"], len(numbers) + 1)
    return numbers


def _line(replication: "Replication", rows: Iterable["RecordedObservation"], numbers: Mapping[str, int]) -> Line:
    rows = list(rows)
    return Line(
        id=replication.id,
        household=numbers.get(str(replication.household_id)),
        state=replication.state,
        at=replication.updated_at,
        tastings=[
            Tasting(row.method or "", row.presented or 0, row.correct or 0, row.sham, row.outside_the_test)
            for row in rows
            if row.outcome == _TASTED
        ],
        differences=[(row.outcome, row.difference) for row in rows if row.difference is not None and not row.sham],
        sealed=any(row.sealed for row in rows),
        registered=any(row.registered for row in rows),
        vouched=any(row.vouched for row in rows),
        flags=sorted({name for row in rows for name in row.flags}, key=lambda name: (flag_rank(name), name)),
    )
