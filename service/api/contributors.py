from typing import TYPE_CHECKING
from uuid import UUID

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.conditional import PRIVATE
from service.api.paging import Cursor, Limit, Page, decode, encode, listed
from service.api.replications import ReplicationItem, items_of
from service.api.routing import Route
from service.api.security import SignedIn, hashed, new_secret
from service.api.storage import Answer, Stored, write_now
from service.intake.documents import HouseholdCall, NewContributor
from service.record import contributors, replication_reads

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(route_class=Route, tags=["contributors"])


class Me(BaseModel):
    """A contributor, as they see themselves."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    display_name: str
    household: UUID
    is_steward: bool


class NewlyMade(BaseModel):
    """A contributor just made, with the token that is shown this once."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    display_name: str
    token: str = Field(description="Keep it: it is shown once and stored only as a hash.")


class HouseholdAnswer(BaseModel):
    """The caller's household; a new join code is shown once."""

    model_config = ConfigDict(extra="forbid")
    household: UUID
    join_code: str | None = Field(description="Give it to whoever shares your kitchen; null when you joined one.")


@router.post(
    "/v1/contributors",
    status_code=201,
    operation_id="create_contributor",
    response_model=NewlyMade,
    summary="Start to contribute",
)
async def create_contributor(request: Request, body: NewContributor, storage: Stored) -> Response:
    """Make a contributor with a household of their own. No e-mail address and no real name is asked for."""
    token = new_secret()

    def make(session: "Session") -> Answer:
        made = contributors.create(session, display_name=body.display_name, token_hash=hashed(token))
        return Answer(NewlyMade(id=made.id, display_name=made.display_name, token=token), 201, "/v1/me")

    return await write_now(request, storage, make)


@router.get("/v1/me", operation_id="read_me", summary="Who am I")
async def read_me(caller: SignedIn, response: Response) -> Me:
    """Say whose token this is."""
    response.headers["Cache-Control"] = PRIVATE
    return Me(
        id=caller.id, display_name=caller.display_name, household=caller.household_id, is_steward=caller.is_steward
    )


@router.post(
    "/v1/me/household", operation_id="call_household", response_model=HouseholdAnswer, summary="Share a kitchen"
)
async def call_household(request: Request, body: HouseholdCall, caller: SignedIn, storage: Stored) -> Response:
    """Ask for a join code for your household, or join the household of a code. Earlier work stays where it was done."""
    code = new_secret() if body.join_code is None else None

    def move(session: "Session") -> Answer:
        contributor = contributors.get(session, caller.id)
        if body.join_code is not None:
            contributor = contributors.join_household(session, contributor, hashed(body.join_code))
        elif code is not None:
            contributors.new_join_code(session, contributor.household_id, hashed(code))
        return Answer(HouseholdAnswer(household=contributor.household_id, join_code=code))

    return await write_now(request, storage, move)


@router.get(
    "/v1/me/replications", operation_id="list_my_replications", response_model=Page[ReplicationItem], summary="My work"
)
async def list_my_replications(
    request: Request, caller: SignedIn, storage: Stored, limit: Limit = 50, after: Cursor = None
) -> Response:
    """List your own replications, newest first, in every state."""
    beyond = decode(after)

    def look(session: "Session") -> tuple[list[ReplicationItem], int | None]:
        found = replication_reads.page(
            session,
            contributor_id=caller.id,
            public_only=False,
            after=beyond,
            limit=limit + 1,
        )
        return items_of(session, found, limit)

    items, more = await storage.read(look)
    return listed(request, items, encode(more), cache_control=PRIVATE)
