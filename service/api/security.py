"""Who is calling: bearer tokens of 256 random bits, of which the record keeps only the SHA-256."""

import hashlib
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated
from uuid import UUID

from fastapi import Depends, Request
from fastapi.security import HTTPBearer

from service.api.limits import charge_contributor
from service.api.problems import Problem
from service.api.storage import storage_of
from service.record import contributors

if TYPE_CHECKING:
    from service.record.database import Session

_CHALLENGE = {"WWW-Authenticate": 'Bearer realm="manybatch"'}
_scheme = HTTPBearer(auto_error=False, description="The token shown once when the contributor was made.")


@dataclass(frozen=True, slots=True)
class Caller:
    """The contributor behind a token."""

    id: UUID
    display_name: str
    household_id: UUID
    is_steward: bool


def new_secret() -> str:
    """Draw a secret of 256 bits from the operating system, safe to put in a URL."""
    return secrets.token_urlsafe(32)


def hashed(secret: str) -> str:
    """The form in which a secret is kept: it has 256 random bits, so a plain hash cannot be searched."""
    return hashlib.sha256(secret.encode()).hexdigest()


async def _declare(_scheme: Annotated[object, Depends(_scheme)]) -> None:
    """Put the scheme into the OpenAPI text; the check itself is ours, so that its answer is too."""


async def signed_in(request: Request, _: Annotated[None, Depends(_declare)]) -> Caller:
    """Require a live token."""
    scheme, _space, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise Problem("not-signed-in", headers=_CHALLENGE)
    token_hash = hashed(token.strip())

    def look_up(session: "Session") -> Caller | None:
        found = contributors.by_token_hash(session, token_hash)
        if found is None:
            return None
        return Caller(found.id, found.display_name, found.household_id, found.is_steward)

    caller = await storage_of(request).read(look_up)
    charge_contributor(request.scope, None if caller is None else caller.id)
    if caller is None:
        raise Problem("not-signed-in", "this token is not known, or was replaced or revoked", headers=_CHALLENGE)
    return caller


SignedIn = Annotated[Caller, Depends(signed_in)]
