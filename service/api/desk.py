"""Where answers are asked for: what is kept is given, what is being made is waited for, and the rest is made once."""

import asyncio
from collections.abc import Hashable
from contextlib import suppress
from typing import TYPE_CHECKING

from service.api.frames import Asked
from service.api.helper import Helper
from service.evidence.filters import Filters
from service.evidence.method import METHOD_VERSION
from service.evidence.works import WORKS
from service.record.question_columns import has_more_than, large_questions
from service.record.question_state import LARGE

if TYPE_CHECKING:
    from uuid import UUID

    from starlette.datastructures import State

    from service.api.evidence_cache import EvidenceCache
    from service.api.storage import Storage
    from service.record.database import Session
    from service.record.tables import Question


class Desk:
    """Makes each thing once, however many ask for it: here where it is small, by the helper where it is large."""

    def __init__(self, state: "State", helper: Helper, large: int = LARGE) -> None:
        self._state = state
        self.helper = helper
        self._large = large
        self._under_way: dict[Hashable, asyncio.Task[bytes]] = {}

    @property
    def _cache(self) -> "EvidenceCache":
        cache: EvidenceCache = self._state.evidence
        return cache

    async def make(
        self,
        storage: "Storage",
        work: str,
        question: "Question",
        filters: Filters,
        position: int,
        **given: str | int | None,
    ) -> bytes:
        """Give what is made of a question's evidence at a position; `work` is one of `WORKS`, `given` its arguments."""
        key = key_of(work, question.id, position, filters, **given)
        kept = self._cache.get(key)
        if kept is not None:
            return kept
        task = self._under_way.get(key)
        if task is None:
            task = asyncio.create_task(self._made(storage, key, work, question, filters, position, **given))
            self._under_way[key] = task
            task.add_done_callback(lambda done: self._ended(key, done))
        # Whoever goes away leaves the others waiting for the same.
        return await asyncio.shield(task)

    async def make_ready(self, storage: "Storage") -> None:
        """Start the helper before anybody waits for it, where the record holds a large question already."""
        with suppress(Exception):  # whoever asks for something is told what is wrong
            if await storage.read(lambda session: large_questions(session, most=1)):
                self.helper.prepare()

    def _ended(self, key: Hashable, task: asyncio.Task[bytes]) -> None:
        del self._under_way[key]
        if not task.cancelled():
            task.exception()  # seen, where nobody waits for it any more

    async def _made(
        self,
        storage: "Storage",
        key: Hashable,
        work: str,
        question: "Question",
        filters: Filters,
        position: int,
        **given: str | int | None,
    ) -> bytes:
        def small(session: "Session") -> bytes | None:
            if has_more_than(session, question.id, self._large):
                return None
            if has_more_than(session, question.id, self._large // 2):
                self.helper.prepare()
            return WORKS[work](session, question, filters, position, **given)

        body = await storage.read(small)
        if body is None:
            asked = Asked(work, question.id, filters, position, storage.reads_replica, given)
            body = await self.helper.make(asked)
        self._cache.put(key, body)
        return body


def key_of(work: str, question_id: "UUID", position: int, filters: Filters, **given: str | int | None) -> Hashable:
    """Name what is made by all that it depends on."""
    return work, question_id, position, filters, METHOD_VERSION, tuple(sorted(given.items()))
