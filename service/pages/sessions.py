"""Who is at the browser: the contributor's token in a cookie that no script reads and no other site can send.

Only pages read it; `/v1` takes its token from `Authorization` alone. A form that writes carries a mark made from the
token, which another site can't know, and its Origin must be ours.
"""

import hashlib
import hmac
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Request
from starlette.responses import Response

from service.api.problems import Problem
from service.api.security import Caller, hashed
from service.api.storage import storage_of
from service.record import contributors

if TYPE_CHECKING:
    from service.record.database import Session

_THIRTY_DAYS = 30 * 24 * 3600
_LONGEST_TOKEN = 200
_PURPOSE = b"manybatch form"


@dataclass(frozen=True, slots=True)
class Visitor:
    """A signed-in contributor, and the mark that their forms carry."""

    caller: Caller
    mark: str


def is_secure(request: Request) -> bool:
    """Whether browsers reach us by https, as far as PUBLIC_URL or the connection tells."""
    public_url: str = request.app.state.settings.public_url
    return public_url.startswith("https://") or request.url.scheme == "https"


def _cookie(request: Request) -> str:
    return "__Host-manybatch" if is_secure(request) else "manybatch"


def sign_in(request: Request, response: Response, token: str) -> None:
    """Let a browser keep the token."""
    response.set_cookie(
        _cookie(request),
        token,
        max_age=_THIRTY_DAYS,
        path="/",
        secure=is_secure(request),
        httponly=True,
        samesite="strict",
    )


def sign_out(request: Request, response: Response) -> None:
    """Let a browser forget the token."""
    response.delete_cookie(_cookie(request), path="/", secure=is_secure(request), httponly=True, samesite="strict")


def mark_of(token: str) -> str:
    """Make the mark that forms carry: it follows from the token, and not the other way round."""
    return hmac.new(token.encode(), _PURPOSE, hashlib.sha256).hexdigest()


async def caller_of(request: Request, token: str) -> Caller | None:
    """Find whose token this is."""
    token_hash = hashed(token)

    def look_up(session: "Session") -> Caller | None:
        found = contributors.by_token_hash(session, token_hash)
        if found is None:
            return None
        return Caller(found.id, found.display_name, found.household_id, found.is_steward)

    return await storage_of(request).read(look_up)


async def visitor_of(request: Request) -> Visitor | None:
    """Find who is at the browser; nobody, where the cookie is missing or its token was replaced."""
    token = request.cookies.get(_cookie(request), "")
    if not token or len(token) > _LONGEST_TOKEN:
        return None
    caller = await caller_of(request, token)
    return None if caller is None else Visitor(caller, mark_of(token))


Present = Annotated[Visitor | None, Depends(visitor_of)]


def refuse_other_origins(request: Request) -> None:
    """Refuse a form that was sent from a page of somebody else's."""
    site = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    if (
        site not in {"same-origin", "none"}
        if site is not None
        else origin is not None and not _is_ours(request, origin)
    ):
        raise Problem("not-yours", "this form was sent from another site; open it here and send it again")


def _is_ours(request: Request, origin: str) -> bool:
    public = urlsplit(request.app.state.settings.public_url)
    return urlsplit(origin).netloc in {request.headers.get("host", ""), public.netloc or None}


def refuse_without_mark(visitor: Visitor, mark: str) -> None:
    """Refuse a form that doesn't carry the visitor's mark."""
    if not hmac.compare_digest(visitor.mark.encode(), mark.encode()):
        raise Problem("not-yours", "this form has no valid mark; open it again and send it from there")
