"""A secret link becomes a cookie that only its own page gets: by a button, because previews and scanners fetch links.

`/taste/SECRET` shows a button and looks nothing up. Pressed, the secret goes into a cookie of `/taste/at/MARK` alone,
and the browser is sent there; the secret stands in no address from then on.
"""

import hashlib
import hmac
from collections.abc import Mapping
from typing import Literal

from fastapi import Request
from starlette.responses import Response

from service.api.problems import Problem
from service.api.security import hashed
from service.pages.layout import PRIVATE, page, prefix, see_other
from service.pages.sessions import is_secure

Door = Literal["taste", "pour"]

_COOKIE = "manybatch-link"
_ONE_DAY = 24 * 3600
_LONGEST_SECRET = 100


def home_of(door: Door, secret: str) -> str:
    """Give the page of a link, which can be told from that of another and says nothing of the secret."""
    return f"/{door}/at/{hashlib.sha256(f'{door} page {secret}'.encode()).hexdigest()[:20]}"


def mark_of(secret: str) -> str:
    """Make the mark that forms of a secret page carry."""
    return hmac.new(secret.encode(), b"manybatch secret page", hashlib.sha256).hexdigest()


def door_page(request: Request, door: Door) -> Response:
    """Show the button, whatever the secret is."""
    return page(request, "door.html", headers=PRIVATE, door=door)


def enter(request: Request, door: Door, secret: str) -> Response:
    """Trade the secret for a cookie and go to its page."""
    if len(secret) > _LONGEST_SECRET:
        raise Problem("not-found")
    home = home_of(door, secret)
    response = see_other(request, home)
    response.set_cookie(
        _COOKIE,
        secret,
        max_age=_ONE_DAY,
        path=f"{prefix(request)}{home}",
        secure=is_secure(request),
        httponly=True,
        samesite="strict",
    )
    return response


def secret_of(request: Request, door: Door, mark: str) -> str:
    """Find the secret of the page that is asked for in its cookie."""
    secret = request.cookies.get(_COOKIE, "")
    if not secret or len(secret) > _LONGEST_SECRET or home_of(door, secret) != f"/{door}/at/{mark}":
        raise Problem("not-found", "open your link again, and press its button: this browser has forgotten it")
    return secret


def require_mark(secret: str, fields: Mapping[str, str]) -> None:
    """Refuse a form that wasn't made on the page of this secret."""
    if not hmac.compare_digest(mark_of(secret).encode(), fields.get("mark", "").encode()):
        raise Problem("not-yours", "this form has no valid mark; open the page again and send it from there")


def link_hash(secret: str) -> str:
    """The form in which the record knows a link."""
    return hashed(secret)
