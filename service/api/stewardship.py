"""The stewards' doors: a replication out of the answer, two questions into one, a word for somebody."""

from typing import TYPE_CHECKING
from uuid import UUID

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.parameters import Slug
from service.api.questions import QuestionAnswer, shown_question
from service.api.replications import ReplicationItem, items_of
from service.api.routing import Route
from service.api.security import SignedIn
from service.api.storage import Answer, IdempotencyKeyHeader, Stored, write_once
from service.intake import stewardship, submission
from service.intake.documents import Merge, Withdrawal
from service.record import contributors, questions
from service.record.rows import Counts

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(prefix="/v1", route_class=Route, tags=["stewards"])


class Vouched(BaseModel):
    """A contributor for whom a steward has given their word."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    vouched: bool
    position: int = Field(description="Of the ledger entry; evidence from there on counts them as vouched for.")


@router.post(
    "/replications/{replication_id}/retract",
    operation_id="retract_replication",
    response_model=ReplicationItem,
    summary="Take a replication out of the answer",
)
async def retract_replication(
    request: Request,
    replication_id: UUID,
    body: Withdrawal,
    caller: SignedIn,
    storage: Stored,
    key: IdempotencyKeyHeader = None,
) -> Response:
    """Take a replication out, for a reason that doesn't depend on its result; evidence shows the answer with it too."""

    def retract(session: "Session") -> Answer:
        steward = contributors.get(session, caller.id)
        retracted = submission.retract(session, steward, replication_id, body)
        (item,), _ = items_of(session, [retracted], 1)
        return Answer(item)

    return await write_once(request, storage, caller, key, retract)


@router.post(
    "/questions/{slug}/merge",
    operation_id="merge_question",
    response_model=QuestionAnswer,
    summary="Join a question into another",
)
async def merge_question(
    request: Request, slug: Slug, body: Merge, caller: SignedIn, storage: Stored, key: IdempotencyKeyHeader = None
) -> Response:
    """Let a question's replications stand in the answer of another from now on; its own earlier answers stay."""

    def merge(session: "Session") -> Answer:
        merged = stewardship.merge(session, contributors.get(session, caller.id), slug, body)
        into = questions.slugs(session, [merged.merged_into_id] if merged.merged_into_id else [])
        counts = questions.counts(session, [merged.id]).get(merged.id, Counts())
        return Answer(shown_question(request, merged, counts, None, merged_into=next(iter(into.values()), None)))

    return await write_once(request, storage, caller, key, merge)


@router.post(
    "/contributors/{contributor_id}/vouch",
    operation_id="vouch_for_contributor",
    response_model=Vouched,
    summary="Vouch for a contributor",
)
async def vouch_for_contributor(
    request: Request, contributor_id: UUID, caller: SignedIn, storage: Stored, key: IdempotencyKeyHeader = None
) -> Response:
    """Write down a steward's word that a contributor is who they say: evidence can be narrowed to these."""

    def vouch(session: "Session") -> Answer:
        vouched = stewardship.vouch(session, contributors.get(session, caller.id), contributor_id)
        return Answer(Vouched(id=vouched.id, vouched=True, position=vouched.vouched_position or 0))

    return await write_once(request, storage, caller, key, vouch)
