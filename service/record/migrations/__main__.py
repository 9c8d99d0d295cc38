"""Drafts a migration from what the tables in the code have that the newest revision hasn't.

`python -m service.record.migrations "what it does"`; read the draft and mend it before it is committed.
"""

import sys
import tempfile
from pathlib import Path

from alembic import command
from sqlalchemy import create_engine, make_url

from service.record import migrate

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        url = make_url(f"sqlite:///{Path(folder) / 'draft.db'}")
        migrate.upgrade(url)
        with create_engine(url).connect() as connection:
            command.revision(
                migrate.config(connection),
                message=sys.argv[1],
                autogenerate=True,
                rev_id=f"{int(migrate.head_revision()) + 1:04}",
            )
