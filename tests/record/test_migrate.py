from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, text

from service.record import ledger
from service.record.database import Database
from service.record.errors import SchemaAhead, Unavailable
from service.record.tables import metadata
from tests.record import builders


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def empty_url(request, tmp_path):
    """Give a database without tables."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.db'}"
    else:
        server = request.getfixturevalue("postgres_server")
        url = server.create()
        yield url
        server.drop(url)


def test_an_empty_database_is_brought_to_the_newest_revision(empty_url):
    database = Database(empty_url)
    assert database.schema_revision() is None
    database.migrate()
    assert database.schema_revision() == database.head_revision()
    with database.write() as session:
        assert ledger.append(session, kind="report", subject="x", content={}).position == 1
    database.migrate()
    with database.read() as session:
        assert ledger.head(session).size == 1
    database.dispose()


def test_of_several_that_start_together_one_migrates(empty_url):
    databases = [Database(empty_url) for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(Database.migrate, databases))
    with databases[0].read() as session:
        assert session.execute(text("SELECT count(*) FROM ledger_head")).scalar_one() == 1
    for database in databases:
        database.dispose()


def test_the_migrations_make_exactly_the_tables_that_the_code_knows(database):
    engine = create_engine(database.url)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_the_constraints_have_the_names_that_the_code_knows(database):
    """Autogeneration doesn't compare checks; their names are in both databases' own words for a table."""
    expected = {
        constraint.name for table in metadata.tables.values() for constraint in table.constraints if constraint.name
    }
    with database.read() as session:
        if database.dialect == "sqlite":
            words = " ".join(session.execute(text("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")).scalars())
            assert {name for name in expected if f"CONSTRAINT {name} " in words} == expected
        else:
            assert expected <= set(session.execute(text("SELECT conname FROM pg_constraint")).scalars())


def test_checks_say_the_same_in_the_tables_and_in_the_migrations(sqlite_url, tmp_path):
    fresh = create_engine(f"sqlite:///{tmp_path / 'fresh.db'}")
    migrated = create_engine(sqlite_url)
    metadata.create_all(fresh)

    def checks(engine):
        with engine.connect() as connection:
            scripts = connection.execute(text("SELECT sql FROM sqlite_master WHERE type = 'table'")).scalars()
            lines = {line.strip().rstrip(",") for script in scripts for line in script.splitlines()}
        engine.dispose()
        return {line for line in lines if "CHECK" in line}

    assert checks(fresh) == checks(migrated)


def test_tables_from_the_future_are_left_alone(database):
    with database.write() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(SchemaAhead, match="9999"):
        database.migrate()
    with database.write() as session:
        session.execute(text("UPDATE alembic_version SET version_num = :head"), {"head": database.head_revision()})


def test_a_migration_that_would_break_references_is_undone(sqlite_url, monkeypatch):
    database = Database(sqlite_url)

    def lose_the_households(config, _revision):
        config.attributes["connection"].exec_driver_sql("DELETE FROM household")

    with database.write() as session:
        builders.contributor(session)
        session.execute(text("UPDATE alembic_version SET version_num = ''"))
    monkeypatch.setattr("service.record.migrate.revisions", lambda: ("0002", ""))
    monkeypatch.setattr("alembic.command.upgrade", lose_the_households)
    with pytest.raises(RuntimeError, match="point nowhere"):
        database.migrate()
    with database.read() as session:
        assert session.execute(text("SELECT count(*) FROM household")).scalar_one() == 1
    database.dispose()


@pytest.mark.postgres
def test_a_migration_gives_up_behind_a_lock(postgres_server, monkeypatch):
    url = postgres_server.create()
    monkeypatch.setattr("service.record.migrate._WAIT_FOR_OTHERS_MS", 50)
    holder, late = Database(url), Database(url)
    with holder.write() as session:
        session.execute(text("SELECT pg_advisory_xact_lock(7261935044)"))
        with pytest.raises(Unavailable):
            late.migrate()
    holder.dispose()
    late.dispose()
    postgres_server.drop(url)
