"""Each thing that a record stands on, unwell in turn, is named; nothing else is."""

import os
import shutil
from types import SimpleNamespace

import pytest
from sqlalchemy import text

from service.record import health
from service.record.database import Database


def unwell(database, min_free_mib=0):
    return {part.name: part.detail for part in health.parts(database, min_free_mib) if not part.well}


def test_a_record_is_well(database):
    parts = health.parts(database, 1)
    assert [part.name for part in parts] == ["database", "schema", "disk", "sealing_key"]
    assert all(part.well and part.needed for part in parts)


def test_tables_of_another_software(database):
    with database.write() as session:
        session.execute(text("UPDATE alembic_version SET version_num = 'older'"))
    try:
        assert unwell(database) == {"schema": "is not this software's; run `manybatch migrate`"}
    finally:
        with database.write() as session:
            session.execute(text("UPDATE alembic_version SET version_num = :head"), {"head": database.head_revision()})


def test_a_disk_that_is_nearly_full(sqlite_url, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=255 * health.MEBIBYTE))
    database = Database(sqlite_url)
    assert unwell(database, 256) == {"disk": "has less than 256 MiB free"}
    assert unwell(database, 255) == {}
    database.dispose()


def test_a_file_that_takes_no_writes(sqlite_url, monkeypatch):
    monkeypatch.setattr(os, "access", lambda _, mode: mode != os.W_OK)
    database = Database(sqlite_url)
    assert unwell(database) == {"database": "takes no writes: the file or its folder is read-only"}
    database.dispose()


def test_a_record_that_is_not_there(tmp_path):
    database = Database(f"sqlite:///{tmp_path / 'no such folder' / 'record.db'}")
    assert unwell(database, 1) == {
        "database": "can't be reached",
        "schema": "can't be reached",
        "disk": "has less than 1 MiB free",
    }
    database.dispose()


@pytest.mark.parametrize("put", ["short", "folder", "no text"])
def test_a_key_file_that_is_no_key(sqlite_url, tmp_path, put):
    file = tmp_path / "record.db.sealing-key"
    if put == "folder":
        file.mkdir()
    else:
        file.write_bytes(b"short" if put == "short" else b"\xff" * 64)
    database = Database(sqlite_url)
    assert set(unwell(database)) == {"sealing_key"}
    database.dispose()


def test_looking_makes_no_key(sqlite_url, tmp_path):
    database = Database(sqlite_url)
    assert unwell(database) == {}
    assert not (tmp_path / "record.db.sealing-key").exists()
    database.dispose()


def test_pools_are_counted(database):
    with database.read() as session:
        session.execute(text("SELECT 1"))
        used = {name: use.in_use for name, use in database.pools().items()}
    assert sum(used.values()) == 1
    assert all(use.in_use == 0 and use.most >= 1 for use in database.pools().values())
