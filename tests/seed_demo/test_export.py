"""The invented community goes out as data packages, and can be built again from them alone."""

import json
import zipfile
from pathlib import Path

import pytest

from seed_demo.load import load
from service.evidence.answer import answer
from service.evidence.filters import Filters
from service.evidence.package import write_package
from service.intake.package_loading import NotWhole, load_packages
from service.record import archive, ledger, questions, replication_reads
from service.record.archive import NotAPackage
from service.record.database import Database
from service.record.errors import Conflict
from service.record.verify import verify


def export(database, folder) -> list[Path]:
    paths = []
    with database.read() as session:
        for asked in questions.page(session):
            question = asked.question
            paths.append(folder / f"{question.slug}.zip")
            with paths[-1].open("wb") as file:
                write_package(session, question, ledger.last_position_of(session, question.id), file)
    return paths


def answers(database):
    """What the record answers to each question, without the names that its own ledger gives to its states."""
    found = {}
    with database.read() as session:
        assert verify(session).whole
        for asked in questions.page(session):
            question = asked.question
            said = answer(session, question, Filters(), ledger.last_position_of(session, question.id))
            plain = json.loads(said.model_dump_json())
            at = plain.pop("as_of")["at"]
            plain.pop("cite_as")
            found[question.slug] = (at, plain)
    return found


@pytest.fixture(scope="module")
def demo(migrated_sqlite, tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    path = folder / "demo.db"
    path.write_bytes(migrated_sqlite.read_bytes())
    database = Database(f"sqlite:///{path}")
    load(database)
    yield database, export(database, folder)
    database.dispose()


def test_the_demo_is_built_again_from_its_packages(demo, database):
    original, packages = demo
    assert all(archive.check(path).whole for path in packages)
    seen = []
    done = load_packages(database, packages, progress=lambda *now: seen.append(now))
    assert (done.refused, done.passed_over, done.erased, done.already_there) == ([], 0, 0, 0)
    assert done.untold == 1
    assert seen[-1][0] == seen[-1][1]
    assert answers(database) == answers(original)
    with original.read() as session, database.read() as other:
        first, second = (ledger.entries(each, limit=10_000) for each in (session, other))
        told = [(entry.kind, entry.subject, entry.at) for entry in first]
        assert [(entry.kind, entry.subject, entry.at) for entry in second] == told


def test_a_package_that_was_loaded_is_passed_over(demo, sqlite_url):
    _, packages = demo
    database = Database(sqlite_url)
    first = load_packages(database, packages)
    again = load_packages(database, packages)
    assert again.acts == 0
    assert again.already_there == first.acts
    database.dispose()


def test_a_load_that_was_broken_off_goes_on(demo, sqlite_url, monkeypatch):
    original, packages = demo
    database = Database(sqlite_url)
    monkeypatch.setattr("service.intake.package_loading._BATCH", 40)

    def break_off(done, _last):
        if done > 50:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        load_packages(database, packages, progress=break_off)
    with database.read() as session:
        assert 0 < ledger.head(session).size < 110
    load_packages(database, packages)
    assert answers(database) == answers(original)
    database.dispose()


def test_a_package_alone_gives_its_question_alone(demo, sqlite_url):
    original, packages = demo
    database = Database(sqlite_url)
    load_packages(database, packages[:1], processes=0)
    (slug,) = answers(database)
    assert answers(database)[slug] == answers(original)[slug]
    # The next one's acts are older than what is there now: time in a ledger doesn't step back.
    with pytest.raises(Conflict, match="fresh record"):
        load_packages(database, packages[1:])
    database.dispose()


def test_an_altered_package_is_not_loaded(demo, sqlite_url, tmp_path):
    _, packages = demo
    altered = tmp_path / "altered.zip"
    with zipfile.ZipFile(packages[0]) as opened, zipfile.ZipFile(altered, "w") as written:
        for name in opened.namelist():
            content = opened.read(name)
            written.writestr(name, content.replace(b"triangle", b"tetrad", 1) if name == "contents.jsonl" else content)
    database = Database(sqlite_url)
    with pytest.raises(NotWhole, match=r"contents\.jsonl"):
        load_packages(database, [altered])
    with pytest.raises(NotAPackage):
        load_packages(database, [tmp_path / "none.zip"])
    with database.read() as session:
        assert ledger.head(session).size == 0
        assert replication_reads.page(session) == []
    database.dispose()


def test_packages_of_two_records_are_not_mixed(demo, sqlite_url, migrated_sqlite, tmp_path):
    _, packages = demo
    other_file = tmp_path / "other.db"
    other_file.write_bytes(migrated_sqlite.read_bytes())
    other = Database(f"sqlite:///{other_file}")
    load(other)
    folder = tmp_path / "other"
    folder.mkdir()
    theirs = export(other, folder)
    database = Database(sqlite_url)
    with pytest.raises(NotAPackage, match="different records"):
        load_packages(database, [packages[0], *theirs])
    for each in (other, database):
        each.dispose()
