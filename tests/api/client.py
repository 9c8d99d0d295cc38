"""A caller within the process: the application is spoken to as ASGI, from an event loop in a thread of its own."""

from collections.abc import Mapping, Sequence
from functools import partial, partialmethod
from typing import Any

import anyio
import httpx


class Client:
    """Sends requests as `httpx.Client` does, and several at once."""

    def __init__(self, portal, app, **settings: Any) -> None:
        self._portal = portal
        self.app = app
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 50_000))
        self._http = httpx.AsyncClient(transport=transport, base_url="http://service.test", **settings)

    def request(self, method: str, url: str, **given: Any) -> httpx.Response:
        return self._portal.call(partial(self._http.request, method, url, **given))

    get = partialmethod(request, "GET")
    head = partialmethod(request, "HEAD")
    options = partialmethod(request, "OPTIONS")
    post = partialmethod(request, "POST")
    put = partialmethod(request, "PUT")
    delete = partialmethod(request, "DELETE")

    def together(self, calls: Sequence[Mapping[str, Any]]) -> list[httpx.Response]:
        """Send requests at the same time and return their answers in order."""
        answers: dict[int, httpx.Response] = {}

        async def send(number: int, given: Mapping[str, Any]) -> None:
            answers[number] = await self._http.request(**given)

        async def send_all() -> None:
            async with anyio.create_task_group() as group:
                for number, given in enumerate(calls):
                    group.start_soon(send, number, given)

        self._portal.call(send_all)
        return [answers[number] for number in range(len(calls))]

    def close(self) -> None:
        self._portal.call(self._http.aclose)
