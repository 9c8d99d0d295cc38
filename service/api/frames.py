"""Messages between a server and its helper: each with its length before it, over a pipe that nobody else has."""

import os
import pickle
import select
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from service.evidence.filters import Filters

_LENGTH_BYTES = 8
_AT_ONCE = 1 << 20


class Ended(EOFError):  # noqa: N818  an event, and no error where a server stops
    """The other side is gone, or didn't say anything in time."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Something to be made of a question's evidence; `given` are the work's own arguments."""

    work: str
    question_id: UUID
    filters: Filters
    position: int
    from_replica: bool
    given: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Made:
    """What came of it: bytes, or why there are none. `later` says that trying again may help."""

    body: bytes | None
    failure: str = ""
    later: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """Which record a helper reads."""

    url: str
    read_url: str | None


def write(pipe: int, message: object) -> None:
    """Send a message; raise Ended where nobody is there."""
    content = pickle.dumps(message)
    rest = memoryview(len(content).to_bytes(_LENGTH_BYTES, "big") + content)
    try:
        while rest:
            rest = rest[os.write(pipe, rest[:_AT_ONCE]) :]
    except BrokenPipeError:
        raise Ended from None


def read(pipe: int, seconds: float) -> Any:  # noqa: ANN401  whatever the other side wrote
    """Wait for a message; raise Ended where none comes."""
    until = time.monotonic() + seconds
    length = int.from_bytes(_bytes(pipe, _LENGTH_BYTES, until), "big")
    return pickle.loads(_bytes(pipe, length, until))  # noqa: S301  from a process of our own, by its own pipe


def _bytes(pipe: int, count: int, until: float) -> bytes:
    parts, waiting = [], select.poll()
    waiting.register(pipe, select.POLLIN)
    while count:
        part = os.read(pipe, min(count, _AT_ONCE)) if waiting.poll(_milliseconds(until)) else b""
        if not part:
            raise Ended
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def _milliseconds(until: float) -> float:
    return 1000.0 * max(until - time.monotonic(), 0.0)
