"""Tells of statements that took long, by their text; the values in them, which are people's words, stay out of it."""

import re
import time
from collections.abc import Callable, Iterable
from typing import Any

from sqlalchemy import Connection, Engine, event
from sqlalchemy.engine import ExceptionContext

Tell = Callable[[str, float, bool], None]
"""Told of a slow statement: its text, the seconds until its first row, and whether it failed."""

_LONGEST_TEXT = 1000
_STARTED = "manybatch.started"
_QUOTED = re.compile(r"'(?:[^']|'')*'")
_SPACE = re.compile(r"\s+")
_MANY = re.compile(r"(\(?)(\?|%\(\w+\)s(?:::\w+)?)(?:, (?:\?|%\(\w+\)s(?:::\w+)?)){3,}")


def watch(engines: Iterable[Engine], threshold_seconds: float, tell: Tell) -> None:
    """Tell of each statement on these engines that takes this long or longer.

    Parameters
    ----------
    engines : iterable of Engine
        Each pool once: what is made of an engine by `execution_options` is watched with it.
    threshold_seconds : float
        Waiting for a lock counts; a commit and the reading of further rows don't.
    tell : callable
        Called in the thread that ran the statement.

    """

    def begun(connection: Connection, *_: object) -> None:
        connection.info[_STARTED] = time.perf_counter()

    def ended(connection: Connection, _cursor: object, statement: str, *_: object) -> None:
        seconds = time.perf_counter() - connection.info[_STARTED]
        if seconds >= threshold_seconds:
            tell(template_of(statement), seconds, False)  # noqa: FBT003  three plain facts

    def failed(context: ExceptionContext) -> None:
        started: Any = context.connection and context.connection.info.get(_STARTED)
        if started is None or context.statement is None:
            return
        seconds = time.perf_counter() - started
        if seconds >= threshold_seconds:
            tell(template_of(context.statement), seconds, True)  # noqa: FBT003  likewise

    for engine in engines:
        event.listen(engine, "before_cursor_execute", begun)
        event.listen(engine, "after_cursor_execute", ended)
        event.listen(engine, "handle_error", failed)


def template_of(statement: str) -> str:
    """Give a statement's text on one line, without anything in quotes and with long lists of placeholders cut short."""
    text = _MANY.sub(r"\1\2, …", _SPACE.sub(" ", _QUOTED.sub("'…'", statement)).strip())
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]}…"
