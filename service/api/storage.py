"""How a handler reaches the record: reads and writes run in threads, each in one transaction, off the event loop."""

import hashlib
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from copy import copy
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any, TypeVar
from uuid import UUID

from anyio import CapacityLimiter, fail_after, move_on_after
from anyio.to_thread import run_sync
from fastapi import Depends, Header, Request
from pydantic_core import to_json
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.api.conditional import PRIVATE
from service.api.links import address
from service.api.problems import Problem
from service.intake.refusals import Refused
from service.record import health, idempotency
from service.record.clock import now
from service.record.errors import RecordError, Unavailable
from service.record.latest import LatestPositions, latest_positions

if TYPE_CHECKING:
    from service.record.contributors import Known
    from service.record.database import Database, Session

T = TypeVar("T")
# A few with each new key: the table stays as large as a week's writes, and no write waits for a great sweep.
_EXPIRED_AT_ONCE = 20
_PATIENCE_WITH_REPLICA_S = 2.0
_PATIENCE_WITH_WRITERS_S = 30.0
NO_CONTENT = 204
# What is read by a link that is the secret: whoever holds it has just written by it.
_BY_SECRET = ("/v1/pour/", "/v1/taste/", "/pour/", "/taste/")


@dataclass(frozen=True, slots=True)
class Answer:
    """What a write answers with, once it is committed."""

    body: object
    status: int = 200
    location: str | None = None
    etag: str | None = None

    def content(self) -> bytes:
        """The body's bytes."""
        return b"" if self.status == NO_CONTENT else to_json(self.body)


@dataclass(slots=True)
class Storage:
    """The record behind two gates: as many readers as threads, and as many writers as the database can use.

    SQLite takes one writer at a time, so its writers queue here, in order and without holding a thread. `lagging`
    reads from a replica, which may be a moment behind, and from the record itself what the replica can't answer.
    """

    database: "Database"
    threads: int
    lagging: "Storage | None" = field(init=False, default=None)
    _from_replica: bool = field(init=False, default=False)
    latest: LatestPositions = field(init=False)
    token_owners: dict[str, UUID] = field(init=False, default_factory=dict)
    keys_stay_until: datetime | None = field(init=False, default=None)
    _readers: CapacityLimiter = field(init=False)
    _writers: CapacityLimiter = field(init=False)
    _write_threads: CapacityLimiter = field(init=False)

    def __post_init__(self) -> None:
        self.latest = latest_positions(self.database)
        self._readers = CapacityLimiter(self.threads)
        at_once = 1 if self.database.dialect == "sqlite" else max(self.threads // 2, 1)
        self._writers, self._write_threads = CapacityLimiter(at_once), CapacityLimiter(at_once)
        if self.database.has_replica:
            self.lagging = copy(self)
            self.lagging._from_replica = True  # noqa: SLF001  # another of our own kind

    def gates(self) -> "dict[str, CapacityLimiter]":
        """Where reads and writes wait, by kind, for whoever watches."""
        return {"read": self._readers, "write": self._writers}

    @property
    def reads_replica(self) -> bool:
        """Whether reads are answered from a replica first."""
        return self._from_replica

    async def read(self, work: "Callable[[Session], T]") -> T:
        """Run `work` in one read-only transaction."""

        def call() -> T:
            if self._from_replica:
                try:
                    with self.database.read(from_replica=True) as session:
                        return work(session)
                except (RecordError, Refused, HTTPException):
                    # The replica may not have it yet, or be away: the record itself has the last word.
                    pass
            with self.database.read() as session:
                return work(session)

        return await run_sync(call, limiter=self._readers)

    async def write(self, work: "Callable[[Session], T]") -> T:
        """Run `work` in one transaction, committed before this returns.

        Raises
        ------
        service.record.errors.Unavailable
            Its turn hasn't come for as long as a statement may take: those before it wait for something.

        """
        async with self._turn_to_write():
            try:
                return await run_sync(self.database.run_write, work, limiter=self._write_threads)
            finally:
                self.latest.forget()

    @asynccontextmanager
    async def _turn_to_write(self) -> AsyncIterator[None]:
        turn = object()
        try:
            with fail_after(_PATIENCE_WITH_WRITERS_S):
                await self._writers.acquire_on_behalf_of(turn)
        except TimeoutError:
            raise Unavailable("Too many writes wait for the record just now; try again in a moment.") from None
        try:
            yield
        finally:
            self._writers.release_on_behalf_of(turn)

    async def health(self, min_free_mib: int, max_lag_seconds: float) -> list[health.Part]:
        """Look at everything that the service stands on; a replica that doesn't answer soon is away."""
        found = await run_sync(health.parts, self.database, min_free_mib, limiter=self._readers)
        if self.database.has_replica:
            late = health.Part("replica", well=False, detail="doesn't answer", needed=False)
            with move_on_after(_PATIENCE_WITH_REPLICA_S):
                late = await run_sync(
                    health.replica, self.database, max_lag_seconds, limiter=self._readers, abandon_on_cancel=True
                )
            found.append(late)
        return found


def storage_of(request: Request) -> Storage:
    """Find the storage that a request is answered from.

    Who says who they are (token, cookie or secret link) reads what they have just written; so does who asks for a
    state of the record, which is to be that state for ever. Everybody else may be answered from a replica.
    """
    storage: Storage = request.app.state.storage
    if storage.lagging is None or request.method != "GET" or b"as_of=" in request.scope["query_string"]:
        return storage
    if "authorization" in request.headers or "cookie" in request.headers:
        return storage
    return storage if request.scope["path"].startswith(_BY_SECRET) else storage.lagging


async def _storage(request: Request) -> Storage:
    return storage_of(request)


Stored = Annotated[Storage, Depends(_storage)]

IdempotencyKeyHeader = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=200,
        pattern=r"^[\x21-\x7e]+$",
        description="A key of your own: sent again with it, a request is answered again, not done again.",
    ),
]


async def write_once(
    request: Request,
    storage: Storage,
    caller: "Known",
    key: str | None,
    work: "Callable[[Session], Answer]",
    *,
    confirm: "Callable[[Session], None]" = lambda _: None,
) -> Response:
    """Do a creating write once for its Idempotency-Key: the key, the work and the answer are one transaction.

    `confirm` comes before all of them, and refuses whoever may not write.
    """

    def confirmed(session: "Session") -> Answer:
        confirm(session)
        return work(session)

    if key is None:
        return await write_now(request, storage, confirmed)
    scope = {"method": request.method, "path": request.scope["path"], "key": key}
    request_hash = hashlib.sha256(await request.body()).hexdigest()

    def once(session: "Session") -> Response:
        confirm(session)
        replay = idempotency.claim(session, contributor_id=caller.id, request_hash=request_hash, **scope)
        if replay is not None:
            replayed = {"Idempotent-Replayed": "true"}
            return _raw(request, replay.body, replay.status, replay.location, replay.etag, replayed)
        answer = work(session)
        content = answer.content()
        idempotency.complete(
            session,
            contributor_id=caller.id,
            **scope,
            status=answer.status,
            location=answer.location,
            etag=answer.etag,
            body=content,
        )
        _expire(session, storage)
        return _raw(request, content, answer.status, answer.location, answer.etag)

    return await storage.write(once)


def _expire(session: "Session", storage: Storage) -> None:
    """Drop a few old keys, and look no more before the oldest of those that are left is old."""
    moment = now(session)
    if storage.keys_stay_until is not None and moment <= storage.keys_stay_until:
        return
    if idempotency.expire(session, moment, limit=_EXPIRED_AT_ONCE) < _EXPIRED_AT_ONCE:
        oldest = idempotency.oldest(session)
        storage.keys_stay_until = None if oldest is None else oldest + idempotency.KEPT


async def write_now(request: Request, storage: Storage, work: "Callable[[Session], Answer]") -> Response:
    """Do a write that needs no Idempotency-Key: an edit guarded by If-Match, or one that mints a secret."""
    answer = await storage.write(work)
    return _raw(request, answer.content(), answer.status, answer.location, answer.etag)


def _raw(
    request: Request,
    content: bytes,
    status: int,
    location: str | None,
    etag: str | None,
    extra: Mapping[str, str] | None = None,
) -> Response:
    headers = {"Cache-Control": PRIVATE, **(extra or {})}
    if location is not None:
        headers["Location"] = address(request, location)
    if etag is not None:
        headers["ETag"] = etag
    return Response(content, status, headers, "application/json" if content else None)


def json_response(body: Any, *, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:  # noqa: ANN401
    """Serialise a model or plain values at once."""
    return Response(to_json(body), status, dict(headers) if headers else None, "application/json")


def revision_of(if_match: str | None) -> int:
    """Read the revision that an edit was made on from If-Match."""
    if if_match is None:
        raise Problem("if-match-needed")
    text = if_match.strip().strip('"')
    if not (text.startswith("r") and text[1:].isascii() and text[1:].isdigit() and len(text) < 12):
        raise Problem("stale-revision")
    return int(text[1:])
