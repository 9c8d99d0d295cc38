"""What caches between us and our callers may do with answers that change.

Who says nothing of themselves may see the record as it was a moment ago: from a replica (`storage_of`), and so from a
shared cache too. Who says who they are has perhaps just written, and is answered from here.
"""

from typing import TYPE_CHECKING

from service.api.conditional import REVALIDATE

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

SHARED = "public, max-age=0, s-maxage=5, stale-while-revalidate=30, stale-if-error=300"
VARY = "Authorization, Cookie"

_CACHE_CONTROL = b"cache-control"
_REVALIDATE = REVALIDATE.encode()
_SHARED = SHARED.encode()
_VARY = (b"vary", VARY.encode())
_SAY_WHO = frozenset(VARY.lower().encode().split(b", "))


class SharedCaches:
    """Plain ASGI: lets shared caches keep what is read as data for a moment, and keep apart who asks."""

    def __init__(self, app: "ASGIApp") -> None:
        self._app = app

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Answer one request."""
        if scope["type"] != "http" or scope["method"] != "GET" or not scope["path"].startswith("/v1/"):
            await self._app(scope, receive, send)
            return

        async def shared(message: "Message") -> None:
            if message["type"] == "http.response.start":
                headers = message["headers"]
                if (_CACHE_CONTROL, _REVALIDATE) in headers:
                    known = any(name in _SAY_WHO for name, _ in scope["headers"])
                    kept = _REVALIDATE if known else _SHARED
                    others = [header for header in headers if header[0] != _CACHE_CONTROL]
                    message["headers"] = [*others, (_CACHE_CONTROL, kept), _VARY]
            await send(message)

        await self._app(scope, receive, shared)
