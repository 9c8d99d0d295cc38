from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal
from uuid import UUID

from anyio.to_thread import run_sync
from fastapi import APIRouter, Header, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.conditional import REVALIDATE
from service.api.paging import Cursor, Limit, Page, decode, encode, listed
from service.api.problems import Problem
from service.api.routing import Route
from service.api.security import SignedIn, SignedInToWrite
from service.api.storage import (
    Answer,
    IdempotencyKeyHeader,
    Stored,
    json_response,
    revision_of,
    write_now,
    write_once,
)
from service.intake import submission
from service.intake.documents import ReplicationDocument, Revision, Withdrawal
from service.intake.ferment_report import ferments, is_logged
from service.intake.report_models import FermentReport, Report
from service.intake.sealed_shown import SealedTrialShown
from service.record import contributors, questions, replication_reads

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.record.database import Session
    from service.record.tables import Replication

router = APIRouter(prefix="/v1/replications", route_class=Route, tags=["replications"])

# An identifier and nothing else, so that `/check` stays an address of its own: 405 for what it doesn't take.
_ONE = "/{replication_id:uuid}"

State = Literal["registered", "submitted", "withdrawn", "retracted", "erased"]
IfMatch = Annotated[
    str | None, Header(alias="If-Match", max_length=40, description='The revision you read, such as `"r3"`.')
]


class ReplicationAnswer(ReplicationDocument):
    """A replication as the record keeps it: its document, and what the service makes of it."""

    id: UUID
    revision: int
    state: State  # type: ignore[assignment]  # a document asks for two of these; the record knows five
    household: UUID
    registered_at: datetime | None
    updated_at: datetime
    withdrawal_asked: bool = Field(description="Its owner has asked to withdraw it; a steward decides.")
    report: Report
    sealed_trials: list[SealedTrialShown] = Field(
        description="Every sealed trial that was opened for it: the service writes them, nobody can type them."
    )


class ReplicationItem(BaseModel):
    """One line of a list of replications."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    question: str
    protocol_version: int
    state: State
    revision: int
    household: UUID
    registered_at: datetime | None
    updated_at: datetime


class RevisionAnswer(BaseModel):
    """One revision, as it was sent."""

    model_config = ConfigDict(extra="forbid")
    revision: int
    state: State
    reason: str | None
    position: int = Field(description="Of its ledger entry.")
    created_at: datetime
    document: dict[str, Any] | None = Field(description="Null once erased.")


def items_of(
    session: "Session", found: "Sequence[Replication]", limit: int
) -> tuple[list[ReplicationItem], int | None]:
    """Turn one page (and the row beyond it, where there is one) into lines and the place of the next page."""
    slugs = questions.slugs(session, {row.question_id for row in found})
    items = [
        ReplicationItem(
            id=row.id,
            question=slugs[row.question_id],
            protocol_version=row.protocol_version,
            state=row.state,
            revision=row.revision,
            household=row.household_id,
            registered_at=row.registered_at,
            updated_at=row.updated_at,
        )
        for row in found[:limit]
    ]
    return items, found[limit - 1].started_position if len(found) > limit else None


def _tag(replication: "Replication") -> str:
    return f'"r{replication.revision}"'


def _shown(kept: submission.Kept) -> dict[str, Any]:
    replication = kept.replication
    return {
        **kept.document,
        "id": replication.id,
        "revision": replication.revision,
        "household": replication.household_id,
        "registered_at": replication.registered_at,
        "updated_at": replication.updated_at,
        "withdrawal_asked": replication.withdrawal_asked_position is not None,
        "report": kept.report,
        "sealed_trials": kept.sealed_trials,
    }


def _answer(kept: submission.Kept, status: int = 200) -> Answer:
    location = f"/v1/replications/{kept.replication.id}" if status == 201 else None
    return Answer(_shown(kept), status, location, _tag(kept.replication))


async def _followed(body: ReplicationDocument | Revision) -> list[FermentReport]:
    """Follow the ferments before a write begins: it takes longer than all the rest, and others would wait for it."""
    return await run_sync(ferments, body.batches) if is_logged(body.batches) else []


@router.post(
    "",
    status_code=201,
    operation_id="create_replication",
    response_model=ReplicationAnswer,
    summary="Register or submit a replication",
)
async def create_replication(
    request: Request,
    body: ReplicationDocument,
    caller: SignedInToWrite,
    storage: Stored,
    key: IdempotencyKeyHeader = None,
) -> Response:
    """Register a plan before tasting, or submit a whole replication; the answer carries its report."""
    followed = await _followed(body)

    def post(session: "Session") -> Answer:
        return _answer(submission.post_replication(session, caller, body, followed), 201)

    return await write_once(request, storage, caller, key, post, confirm=caller.confirm)


@router.post(
    "/check", operation_id="check_replication", response_model=Report, summary="Check a replication, keep nothing"
)
async def check_replication(body: ReplicationDocument, storage: Stored) -> Response:
    """Make the checks and the report of a submission, and keep nothing."""
    return json_response(await storage.read(lambda session: submission.check_only(session, body)))


@router.get(
    "", operation_id="list_replications", response_model=Page[ReplicationItem], summary="Submitted replications"
)
async def list_replications(
    request: Request,
    storage: Stored,
    question: Annotated[str | None, Query(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$", description="Slug.")] = None,
    limit: Limit = 50,
    after: Cursor = None,
) -> Response:
    """List submitted replications, newest first."""
    beyond = decode(after)

    def look(session: "Session") -> tuple[list[ReplicationItem], int | None]:
        of_question = questions.by_slug(session, question).id if question is not None else None
        found = replication_reads.page(session, question_id=of_question, after=beyond, limit=limit + 1)
        return items_of(session, found, limit)

    items, more = await storage.read(look)
    return listed(request, items, encode(more))


def _public(session: "Session", replication_id: UUID) -> "Replication":
    replication = replication_reads.get(session, replication_id)
    if not replication_reads.is_public(replication):
        raise Problem("not-found")
    if replication.state == "erased":
        raise Problem("gone")
    return replication


def _read_back(session: "Session", replication: "Replication") -> dict[str, Any]:
    if replication_reads.document(session, replication) is None:
        raise Problem("gone")
    return _shown(submission.read_back(session, replication))


@router.get(_ONE, operation_id="read_replication", response_model=ReplicationAnswer, summary="One replication")
async def read_replication(replication_id: UUID, storage: Stored) -> Response:
    """Read a submitted replication with its report. Before submission it is nobody's business: 404."""

    def look(session: "Session") -> tuple[str, dict[str, Any]]:
        replication = _public(session, replication_id)
        return _tag(replication), _read_back(session, replication)

    # The tag names the revision, for If-Match. Withdrawals and flags come without a new one: nothing here is a 304.
    tag, shown = await storage.read(look)
    return json_response(shown, headers={"ETag": tag, "Cache-Control": REVALIDATE})


@router.get(
    "/{replication_id}/report", operation_id="read_report", response_model=Report, summary="What it shows by itself"
)
async def read_report(replication_id: UUID, storage: Stored) -> Response:
    """Say what a submitted replication shows by itself, where it left the protocol, and what may have confounded it."""

    def look(session: "Session") -> Report:
        return submission.report_of(session, _public(session, replication_id))

    return json_response(await storage.read(look), headers={"Cache-Control": REVALIDATE})


@router.get(
    "/{replication_id}/revisions",
    operation_id="list_revisions",
    response_model=Page[RevisionAnswer],
    summary="A replication's history",
)
async def list_revisions(request: Request, replication_id: UUID, storage: Stored) -> Response:
    """List every revision of a submitted replication, oldest first, as it was sent."""

    def look(session: "Session") -> list[RevisionAnswer]:
        found = replication_reads.revisions(session, _public(session, replication_id))
        return [RevisionAnswer.model_validate(row, from_attributes=True) for row in found]

    return listed(request, await storage.read(look), None)


@router.put(_ONE, operation_id="revise_replication", response_model=ReplicationAnswer, summary="Revise or amend")
async def revise_replication(
    request: Request,
    replication_id: UUID,
    body: Revision,
    caller: SignedIn,
    storage: Stored,
    if_match: IfMatch = None,
) -> Response:
    """Send the whole document again: a new revision while registered, an amendment with its reason afterwards."""
    expected = revision_of(if_match)
    followed = await _followed(body)

    def put(session: "Session") -> Answer:
        contributor = contributors.get(session, caller.id)
        return _answer(submission.put_replication(session, contributor, replication_id, body, expected, followed))

    return await write_now(request, storage, put)


@router.post(
    "/{replication_id}/submit",
    operation_id="submit_replication",
    response_model=ReplicationAnswer,
    summary="Submit a registered replication",
)
async def submit_replication(
    request: Request, replication_id: UUID, caller: SignedIn, storage: Stored, key: IdempotencyKeyHeader = None
) -> Response:
    """Submit the newest revision of a registered replication, whole."""

    def submit(session: "Session") -> Answer:
        return _answer(submission.submit_registered(session, contributors.get(session, caller.id), replication_id))

    return await write_once(request, storage, caller, key, submit)


@router.post(
    "/{replication_id}/withdraw",
    operation_id="withdraw_replication",
    response_model=ReplicationAnswer,
    summary="Withdraw, or ask to",
)
async def withdraw_replication(
    request: Request,
    replication_id: UUID,
    body: Withdrawal,
    caller: SignedIn,
    storage: Stored,
    key: IdempotencyKeyHeader = None,
) -> Response:
    """Before submission: out, and counted as started. After: an ask; it stays in the answer until a steward decides."""

    def withdraw(session: "Session") -> Answer:
        contributor = contributors.get(session, caller.id)
        return _answer(submission.withdraw(session, contributor, replication_id, body))

    return await write_once(request, storage, caller, key, withdraw)
