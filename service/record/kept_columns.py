"""Keeps large questions' columns in the record itself, for whoever reads them next. Nothing depends on them."""

from collections.abc import Collection, Mapping
from uuid import UUID

from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import changes
from service.record.column_bytes import LAYOUT, from_bytes
from service.record.errors import Conflict
from service.record.question_state import QuestionColumns
from service.record.tables import KeptColumn, LedgerHead, Question, table_of

_AT_ONCE = 4


def read(session: Session, question_id: UUID, position: int) -> QuestionColumns | None:
    """Return the newest columns that were kept up to a position; None where none can be read."""
    mine = col(KeptColumn.question_id) == question_id
    newest = session.execute(
        select(func.max(col(KeptColumn.position))).where(
            mine, col(KeptColumn.layout) == LAYOUT, col(KeptColumn.position) <= position
        )
    ).scalar_one()
    if newest is None:
        return None
    query = select(col(KeptColumn.name), col(KeptColumn.content)).where(mine, col(KeptColumn.position) == newest)
    try:
        # A few at a time: together, and compressed, they take as much again as what becomes of them.
        with session.execute(query, execution_options={"yield_per": _AT_ONCE}) as rows:
            return from_bytes(question_id, newest, ((name, content) for name, content in rows))
    except (KeyError, ValueError):
        return None


def write(session: Session, question_id: UUID, position: int, written: Mapping[str, bytes]) -> None:
    """Keep a question's columns, as `to_bytes` writes them, in the place of all that was kept of it.

    Raises
    ------
    Conflict
        Newer ones are there already, or something was erased or merged since they were read.

    """
    mine = col(KeptColumn.question_id) == question_id
    # Who erases holds the ledger's head when they delete: either they see these, or we their entry.
    session.execute(select(col(LedgerHead.id)).with_for_update())
    newer = select(col(KeptColumn.name)).where(
        mine, col(KeptColumn.layout) == LAYOUT, col(KeptColumn.position) > position
    )
    if session.execute(newer.limit(1)).first() is not None:
        raise Conflict("Columns of this question are kept up to a later position already.")
    if not changes.can_be_followed(session, question_id, position):
        raise Conflict("What these columns hold was erased or merged since.")
    session.execute(delete(KeptColumn).where(mine).execution_options(synchronize_session=False))
    named = {"question_id": question_id, "position": position, "layout": LAYOUT}
    rows = [named | {"name": name, "content": content} for name, content in written.items()]
    session.connection().execute(insert(table_of(KeptColumn)), rows)


def forget(session: Session, questions: Collection[UUID]) -> None:
    """Delete what is kept of questions, and of those that they were merged into; for who holds the ledger's head."""
    found: set[UUID] = set()
    newest = set(questions)
    while newest:
        found |= newest
        query = select(col(Question.merged_into_id)).where(
            col(Question.id).in_(newest), col(Question.merged_into_id).is_not(None)
        )
        newest = {each for each in session.execute(query).scalars() if each is not None} - found
    session.execute(
        delete(KeptColumn).where(col(KeptColumn.question_id).in_(found)).execution_options(synchronize_session=False)
    )
