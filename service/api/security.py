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
_REMEMBERED = 10_000
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
    caller = await _owner(request, _token_hash(request))
    charge_contributor(request.scope, caller.id)
    return caller


def _token_hash(request: Request) -> str:
    scheme, _space, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise Problem("not-signed-in", headers=_CHALLENGE)
    return hashed(token.strip())


async def _owner(request: Request, token_hash: str) -> Caller:

    def look_up(session: "Session") -> Caller | None:
        found = contributors.by_token_hash(session, token_hash)
        if found is None:
            return None
        return Caller(found.id, found.display_name, found.household_id, found.is_steward)

    caller = await storage_of(request).read(look_up)
    if caller is None:
        charge_contributor(request.scope, None)
        raise _not_known()
    return caller


def _not_known() -> Problem:
    return Problem("not-signed-in", "this token is not known, or was replaced or revoked", headers=_CHALLENGE)


@dataclass(frozen=True, slots=True)
class Remembered:
    """Whose token it was when this process looked last; the write itself looks again, in its own transaction."""

    id: UUID
    token_hash: str
    owners: dict[str, UUID]

    def confirm(self, session: "Session") -> None:
        """Refuse a token that was replaced or revoked meanwhile, before anything is read or written for it."""
        if not contributors.has_token_hash(session, self.id, self.token_hash):
            self.owners.pop(self.token_hash, None)
            raise _not_known()


async def remembered(request: Request, _: Annotated[None, Depends(_declare)]) -> Remembered:
    """Require a token that was live; what is written must `confirm` that it is."""
    token_hash, owners = _token_hash(request), storage_of(request).token_owners
    owner = owners.get(token_hash)
    if owner is None:
        owner = (await _owner(request, token_hash)).id
        if len(owners) >= _REMEMBERED:
            owners.clear()
        owners[token_hash] = owner
    charge_contributor(request.scope, owner)
    return Remembered(owner, token_hash, owners)


async def still_known(request: Request) -> None:
    """Refuse a token that is remembered but was replaced or revoked meanwhile."""
    await _owner(request, _token_hash(request))


SignedInToWrite = Annotated[Remembered, Depends(remembered)]
SignedIn = Annotated[Caller, Depends(signed_in)]
