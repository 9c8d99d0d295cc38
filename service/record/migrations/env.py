"""Run by Alembic, always on a connection that `service.record.migrate` gives it."""

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from sqlmodel import AutoString

from service.record.columns import UtcDateTime
from service.record.tables import metadata


def render_item(type_: str, item: Any, _context: AutogenContext) -> str | Literal[False]:  # noqa: ANN401  # Alembic's own
    """Write the plain type beneath our own: a migration must mean the same when our types have changed."""
    if type_ == "type" and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if type_ == "type" and isinstance(item, AutoString):
        return f"sa.String(length={item.length})"
    return False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite alters a table by building it anew.
    render_as_batch=True,
    render_item=render_item,
)
with context.begin_transaction():
    context.run_migrations()
