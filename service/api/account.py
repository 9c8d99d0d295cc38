"""One's own token and content: replaced, revoked, erased."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.contributors import NewlyMade
from service.api.routing import Route
from service.api.security import SignedIn, hashed, new_secret
from service.api.storage import Answer, Stored, write_now
from service.record import contributors, erasure

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(prefix="/v1/me", route_class=Route, tags=["contributors"])


@router.post("/token", operation_id="replace_token", response_model=NewlyMade, summary="Replace my token")
async def replace_token(request: Request, caller: SignedIn, storage: Stored) -> Response:
    """Get a new token, shown this once; the one before stops working at once."""
    token = new_secret()

    def replace(session: "Session") -> Answer:
        owner = contributors.set_token_hash(session, contributors.get(session, caller.id), hashed(token))
        return Answer(NewlyMade(id=owner.id, display_name=owner.display_name, token=token))

    return await write_now(request, storage, replace)


@router.delete("/token", operation_id="revoke_token", status_code=204, summary="Revoke my token")
async def revoke_token(request: Request, caller: SignedIn, storage: Stored) -> Response:
    """Let the token stop working at once. Without one there is no way back in: what was submitted stays, as it is."""

    def revoke(session: "Session") -> Answer:
        contributors.set_token_hash(session, contributors.get(session, caller.id), None)
        return Answer(None, 204)

    return await write_now(request, storage, revoke)


@router.delete("", operation_id="erase_me", status_code=204, summary="Erase my content")
async def erase_me(request: Request, caller: SignedIn, storage: Stored) -> Response:
    """Erase my name, token, documents and words for ever, at once.

    The ledger keeps its hashes. Answers from now on are without me; earlier ones stay what they were, because the
    counts and measurements behind them stay, under no name. What I asked or planned for others to follow stays too.
    """

    def erase(session: "Session") -> Answer:
        erasure.erase(session, contributors.get(session, caller.id))
        return Answer(None, 204)

    return await write_now(request, storage, erase)
