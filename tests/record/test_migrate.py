from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic import command as alembic_command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import MetaData, create_engine, make_url, text

from service.record import ledger, migrate, replication_reads
from service.record.database import Database
from service.record.errors import SchemaAhead, Unavailable
from service.record.tables import metadata
from service.record.verify import verify
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


@pytest.fixture
def locked_out(empty_url, monkeypatch):
    """Give a record that another migration is busy with, to somebody who doesn't wait long."""
    monkeypatch.setattr("service.record.migrate._WAIT_FOR_OTHERS_MS", 50)
    holder, late = Database(empty_url), Database(empty_url)
    with holder.write() as session:
        # On SQLite whoever writes has the one lock there is.
        lock = "SELECT pg_advisory_xact_lock(7261935044)" if holder.dialect == "postgresql" else "SELECT 1"
        session.execute(text(lock))
        yield late
    holder.dispose()
    late.dispose()


def test_a_migration_gives_up_behind_another(locked_out):
    with pytest.raises(Unavailable):
        locked_out.migrate()


@pytest.mark.postgres
def test_a_migration_gives_up_behind_a_busy_table_and_leaves_all_as_it_was(postgres_server, monkeypatch):
    """Behind a lock that waits everybody else would wait too; run again later, it goes through."""
    url = postgres_server.create()
    before = migrate.revisions()[1]
    migrate.upgrade(make_url(url).set(drivername="postgresql+psycopg"), before)
    database = Database(url)
    monkeypatch.setattr("service.record.migrate._WAIT_FOR_TABLES_MS", 50)
    upgrade = alembic_command.upgrade

    def alter_and_upgrade(config, revision):
        config.attributes["connection"].execute(text("ALTER TABLE replication ADD COLUMN more integer"))
        upgrade(config, revision)

    monkeypatch.setattr("alembic.command.upgrade", alter_and_upgrade)
    with database.write() as session:
        session.execute(text("SELECT count(*) FROM replication"))
        with pytest.raises(Unavailable):
            database.migrate()
    assert database.schema_revision() == before
    database.migrate()
    assert database.schema_revision() == database.head_revision()
    database.dispose()
    postgres_server.drop(url)


@pytest.fixture
def empty_twin(request, database, tmp_path):
    """Give a database without tables, of the same kind as another."""
    if database.dialect == "sqlite":
        twin = Database(f"sqlite:///{tmp_path / 'twin.db'}")
        yield twin
        twin.dispose()
    else:
        server = request.getfixturevalue("postgres_server")
        url = server.create()
        twin = Database(url)
        yield twin
        twin.dispose()
        server.drop(url)


@pytest.mark.parametrize("revision", migrate.revisions()[1:])
def test_what_an_earlier_release_has_written_is_there_after_the_migration(database, empty_twin, revision):
    """A record is put down table by table as the earlier release had it, and brought up to date."""
    with database.write() as session:
        author = builders.contributor(session)
        question = builders.question(session, author)
        for _ in range(3):
            builders.replication(session, question, author)
    later = empty_twin
    migrate.upgrade(later.url, revision)
    written = copied(database.url, later.url)
    assert len(written["replication"]) == 3
    later.migrate()
    assert later.schema_revision() == later.head_revision()
    with later.read() as session:
        report = verify(session)
        assert (report.whole, report.size, report.contents) == (True, 5, 5)
        found = replication_reads.page(session, question_id=question.id)
        assert all(replication_reads.document(session, each)["question"] == question.slug for each in found)
        assert len(found) == 3
    for name, rows in rows_of(later.url, written).items():
        kept = [{column: row[column] for column in was} for row, was in zip(rows, written[name], strict=True)]
        assert kept == written[name], name


def copied(source, target):
    """Put the rows of one record into the tables that another has, as far as it has them."""
    engine = create_engine(target)
    tables = MetaData()
    with engine.begin() as connection:
        tables.reflect(connection)
        rows = rows_of(source, [table.name for table in tables.sorted_tables])
        for table in tables.sorted_tables:
            if table.name == "alembic_version":
                continue
            rows[table.name] = [{name: row[name] for name in table.c.keys()} for row in rows[table.name]]  # noqa: SIM118  # columns by name
            connection.execute(table.delete())
            if rows[table.name]:
                connection.execute(table.insert(), rows[table.name])
    engine.dispose()
    del rows["alembic_version"]
    return rows


def rows_of(url, names):
    engine = create_engine(url)
    tables = MetaData()
    with engine.connect() as connection:
        tables.reflect(connection, only=list(names))
        found = {
            name: sorted(map(dict, connection.execute(tables.tables[name].select()).mappings()), key=repr)
            for name in names
        }
    engine.dispose()
    return found
