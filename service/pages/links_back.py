"""What answers as data says where the same thing can be read: the counterpart of the pages' own links."""

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_PAGES = (
    (re.compile(r"/v1/questions/([a-z0-9][a-z0-9_-]{0,63})(?:/evidence)?"), "/questions/{}"),
    (re.compile(r"/v1/replications/([0-9a-f-]{36})"), "/replications/{}"),
    (re.compile(r"/v1/calculators/([a-z-]{1,40})/[a-z-]{1,40}"), "/calculators/{}"),
)
_CATALOGUE = "/v1/calculators"
_ANSWERS = {200, 304}


def page_beside(path: str) -> str | None:
    """Give the page on which something that is served as data can be read."""
    if path == _CATALOGUE:
        return "/calculators"
    for data, page in _PAGES:
        found = data.fullmatch(path)
        if found is not None:
            return page.format(found[1])
    return None


class LinksBack:
    """Plain ASGI: adds `Link: <...>; rel="alternate"` to what is read as data and has a page."""

    def __init__(self, app: "ASGIApp", public_url: str) -> None:
        self._app = app
        self._public_url = public_url

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Answer one request."""
        page = page_beside(scope["path"]) if scope["type"] == "http" and scope["method"] == "GET" else None
        if page is None:
            await self._app(scope, receive, send)
            return
        link = f'<{self._public_url}{page}>; rel="alternate"; type="text/html"'.encode()

        async def linked(message: "Message") -> None:
            if message["type"] == "http.response.start" and message["status"] in _ANSWERS:
                message["headers"] = [*message.get("headers", ()), (b"link", link)]
            await send(message)

        await self._app(scope, receive, linked)
