"""The outermost wall: whatever happens inside, the caller gets a request id and, on failure, a problem document."""

import asyncio
import re
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NoReturn

from starlette.responses import Response
from uuid_utils import uuid7

from service.api import cors
from service.api.logs import current, log_failure, log_request, template_of, trace_id_of
from service.api.problems import Problem

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

Observe = Callable[[str, str, int, float], None]
"""Told of each answered request: method, route template, status, seconds."""

Refuse = Callable[[Any, Problem], Response]
"""Makes the answer of a refusal from a request's scope: a document, or a page where somebody reads."""

_LONGEST_DRAINED = 64 * 1024 * 1024
_SLOWEST_BYTES_PER_S = 16 * 1024
_HUNG_UP = 499
"""In the log and the counters, where a caller left before all of the body had come; no caller ever sees it."""
_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_READ_HERE = frozenset({b"x-request-id", b"traceparent", b"content-length", b"access-control-request-method"})
_NO_SNIFFING = (b"x-content-type-options", b"nosniff")


def request_id_of(scope: Any) -> str:  # noqa: ANN401  an ASGI scope is any mapping
    """The id of the request that a scope belongs to."""
    return str(scope.get("request_id", "unknown"))


def as_document(scope: Any, problem: Problem) -> Response:  # noqa: ANN401  an ASGI scope is any mapping
    """Refuse by the problem document."""
    return problem.response(request_id_of(scope))


class Boundary:
    """Plain ASGI: request ids, body limits, HEAD, CORS, the log line, and the last catch for what nobody caught."""

    def __init__(
        self,
        app: "ASGIApp",
        *,
        max_body_bytes: int,
        body_seconds: float,
        observe: Observe | None = None,
        refuse: Refuse = as_document,
    ) -> None:
        self.app = app
        self.refuse = refuse
        self.observe = observe
        self.max_body_bytes = max_body_bytes
        self.body_seconds = body_seconds

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Answer one connection."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        await _Exchange(self, scope, receive, send).run()

    def limit(self, path: str) -> int:
        """Columns and pooled studies are long by nature; everything else is a document."""
        return self.max_body_bytes * (16 if path.startswith("/v1/calculators/") else 1)


class _Exchange:
    """One request and its answer."""

    def __init__(self, boundary: Boundary, scope: "Scope", receive: "Receive", send: "Send") -> None:
        headers: dict[bytes, str] = {}
        for name, value in scope["headers"]:
            if name in _READ_HERE:
                headers.setdefault(name, value.decode("latin-1"))
        given = headers.get(b"x-request-id", "")
        self.request_id = given if _REQUEST_ID.fullmatch(given) else str(uuid7())
        self.app = boundary.app
        self.observe = boundary.observe
        self.refuse = boundary.refuse
        self.limit = boundary.limit(scope["path"])
        self.patience = boundary.body_seconds
        self.announced = _content_length(headers.get(b"content-length", "0"))
        self.is_head = scope["method"] == "HEAD"
        self.scope = {**scope, "method": "GET"} if self.is_head else scope
        self.scope["request_id"] = self.request_id
        self.scope["trace_id"] = trace_id_of(headers.get(b"traceparent"))
        current.set(self.scope)
        self.preflight = scope["method"] == "OPTIONS" and b"access-control-request-method" in headers
        self.receive = receive
        self.send = send
        self.read = 0
        self.status = 0
        self.refused: Problem | None = None
        self.whole = False
        self.hung_up = False
        self.started_at = time.perf_counter()

    async def run(self) -> None:
        try:
            if self.preflight:
                await cors.preflight(self.scope["path"])(self.scope, self.receive, self.answer)
            elif self.announced > self.limit:
                await self.refuse_body(_too_large(self.limit), self.announced)
            else:
                await self.app(self.scope, self.limited_receive, self.answer)
        except _BodyRefusedError as refusal:
            await self.refuse_body(refusal.problem, self.read)
        except Exception as error:  # noqa: BLE001  the last catch: a caller gets a problem document, never a stack trace
            if not self.hung_up:
                log_failure(self.scope, error)
            if not self.status:
                await self.refuse(self.scope, Problem("internal-error"))(self.scope, self.receive, self.answer)
        finally:
            seconds = time.perf_counter() - self.started_at
            log_request(self.scope, self.status, seconds)
            if self.observe is not None:
                self.observe(self.scope["method"], template_of(self.scope), self.status, seconds)

    async def limited_receive(self) -> "Message":
        if self.whole:
            return await self.receive()
        try:
            message = await self.part_of_body()
        except TimeoutError:
            self.give_up(_too_slow(self.read))
        if message["type"] == "http.request":
            self.read += len(message.get("body", b""))
            self.whole = not message.get("more_body", False)
            if self.read > self.limit:
                self.give_up(_too_large(self.limit))
        elif message["type"] == "http.disconnect":
            # The rest of the body will never come: whatever becomes of the request, nobody is there to be told.
            self.hung_up = True
        return message

    async def part_of_body(self) -> "Message":
        """Wait for more of the body for as long as what has come earns it; raise TimeoutError then."""
        waited = time.perf_counter() - self.started_at
        async with asyncio.timeout(self.patience + self.read / _SLOWEST_BYTES_PER_S - waited):
            return await self.receive()

    def give_up(self, problem: Problem) -> NoReturn:
        self.refused = problem
        raise _BodyRefusedError(problem)

    async def refuse_body(self, problem: Problem, announced: int) -> None:
        if self.status:
            return
        if problem.kind.slug == "body-too-large" and announced <= _LONGEST_DRAINED:
            await self.drain()
        await self.refuse(self.scope, problem)(self.scope, self.receive, self.answer)

    async def drain(self) -> None:
        """Read the rest and drop it, so that the client stops writing and sees the answer."""
        with suppress(TimeoutError):
            while self.read <= _LONGEST_DRAINED:
                message = await self.part_of_body()
                if message["type"] != "http.request" or not message.get("more_body"):
                    break
                self.read += len(message.get("body", b""))

    async def answer(self, message: "Message") -> None:
        if message["type"] == "http.response.start":
            if self.refused is not None and message["status"] != self.refused.kind.status:
                raise _BodyRefusedError(self.refused)
            self.status = _HUNG_UP if self.hung_up else message["status"]
            headers = [*message.get("headers", ()), (b"x-request-id", self.request_id.encode()), _NO_SNIFFING]
            if not self.preflight:
                headers += cors.headers_for(self.scope)
            message["headers"] = headers
        elif self.is_head and message["type"] == "http.response.body":
            message = {"type": "http.response.body", "body": b"", "more_body": message.get("more_body", False)}
        try:
            await self.send(message)
        except Exception:
            self.hung_up = True  # the server below us has given this connection up
            raise


class _BodyRefusedError(Exception):
    """The body passed its limit, or its time, while it was being read."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.detail)
        self.problem = problem


def _too_large(limit: int) -> Problem:
    return Problem("body-too-large", f"at most {limit} bytes are taken here")


def _too_slow(read: int) -> Problem:
    # What may still come of the body must not be taken for another request.
    return Problem("body-too-slow", f"only {read} bytes of it have come", headers={"Connection": "close"})


def _content_length(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else 0
