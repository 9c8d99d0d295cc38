"""What is made of a question's evidence, each from the record to the bytes that are sent."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from pydantic_core import to_json

from service.evidence.answer import answer
from service.evidence.filters import Filters
from service.evidence.studies import studies_of
from service.record.database import Session
from service.record.tables import Question

if TYPE_CHECKING:
    from service.evidence.drawing import Format  # which loads what draws


def _answer(session: Session, question: Question, filters: Filters, position: int, *, public_url: str) -> bytes:
    return answer(session, question, filters, position, public_url=public_url).model_dump_json().encode()


def _forest(
    session: Session, question: Question, filters: Filters, position: int, *, outcome: str | None, kind: "Format"
) -> bytes:
    from service.evidence import drawings  # noqa: PLC0415  half a second to load, and most processes never draw

    return drawings.forest_of(session, question, filters, position, outcome, kind)


def _path(
    session: Session, question: Question, filters: Filters, position: int, *, outcome: str | None, kind: "Format"
) -> bytes:
    from service.evidence import drawings  # noqa: PLC0415  as above

    return drawings.path_of(session, question, filters, position, outcome, kind)


def _studies(
    session: Session,
    question: Question,
    filters: Filters,
    position: int,
    *,
    outcome: str | None,
    start: int,
    limit: int,
) -> bytes:
    chosen, found = studies_of(session, question, filters, position, outcome, start, limit)
    return to_json([{"outcome": chosen, "study": study} for study in found])


WORKS: Mapping[str, Callable[..., bytes]] = {"answer": _answer, "forest": _forest, "path": _path, "studies": _studies}
"""Each takes a session, a question, filters and a position, and arguments of its own by name."""
