from collections.abc import Callable
from datetime import UTC, datetime
from typing import cast

from sqlalchemy.orm import Session

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """Return the present moment, aware, in UTC."""
    return datetime.now(UTC)


def now(session: Session) -> datetime:
    """Return what the session's own clock shows: a loader of old records runs with a clock of its own."""
    clock = cast("Clock", session.info.get("clock", utc_now))
    return clock().astimezone(UTC)
