"""The commands that look after a record as a whole, as somebody types them."""

import json
import sqlite3

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.evidence.package import write_package
from service.intake import asking, submission
from service.intake.document_file import Loaded
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.record import contributors, kept_columns, ledger, question_state, questions, replication_reads
from service.record.database import Database
from tests.intake import documents
from tests.record import builders


@pytest.fixture
def run(sqlite_url, monkeypatch):
    monkeypatch.setenv("MANYBATCH_DATABASE_URL", sqlite_url)
    return lambda *arguments: CliRunner().invoke(app, [str(each) for each in arguments])


@pytest.fixture
def record(sqlite_url):
    database = Database(sqlite_url)
    with database.write() as session:
        author = builders.contributor(session)
        question = asking.add_question(
            session, author, QuestionDocument.model_validate(documents.question(slug="asked"))
        )
        asking.add_protocol(session, author, question, ProtocolDocument.model_validate(documents.protocol()))
        sent = documents.replication(question="asked")
        submission.post_replication(session, author, ReplicationDocument.model_validate(sent))
    yield database
    database.dispose()


def package_of(database, path):
    with database.read() as session, path.open("wb") as file:
        question = questions.by_slug(session, "asked")
        write_package(session, question, ledger.last_position_of(session, question.id), file)
    return path


def test_a_whole_record_is_said_to_be_unaltered_and_no_more(run, record):
    result = run("verify")
    assert result.exit_code == 0, result.output
    with record.read() as session:
        head = ledger.head(session)
    assert f"{head.size} entries, tree head {head.root_hash}" in result.stdout
    assert "nothing about whether what people submitted is true" in result.stdout
    assert run("verify", "--head", f"{head.size}:{head.root_hash}").exit_code == 0


def test_an_altered_record_ends_with_what_is_wrong(run, record, sqlite_url):
    with sqlite3.connect(sqlite_url.removeprefix("sqlite:///")) as connection:
        connection.execute("UPDATE ledger_content SET content = replace(content, 'run both alike', 'run one alike')")
    result = run("verify")
    assert result.exit_code == 1
    assert "Position 2: its content isn't what its content_hash was made from." in result.stderr
    assert "Unaltered" not in result.stdout


@pytest.mark.parametrize(
    ("head", "says"),
    [(f"2:{'0' * 64}", "the history was rewritten"), (f"9:{'0' * 64}", "the head you know is of 9 entries")],
)
def test_a_head_that_was_kept_must_be_the_records_own(run, record, head, says):
    result = run("verify", "--head", head)
    assert result.exit_code == 1
    assert says in " ".join(result.stderr.split())


@pytest.mark.parametrize("head", ["", "3", "x:y", "3:abc"])
def test_a_head_is_written_as_the_ledger_writes_it(run, record, head):
    assert run("verify", "--head", head).exit_code == 2


def test_a_package_and_a_backup_are_verified_without_the_record(run, record, tmp_path):
    package = package_of(record, tmp_path / "asked.zip")
    copy = tmp_path / "copy.db"
    assert run("backup", copy).exit_code == 0
    for file in (package, copy):
        result = run("verify", file)
        assert (result.exit_code, "Unaltered" in result.stdout) == (0, True), result.output
    again = run("backup", copy)
    assert again.exit_code == 1
    assert "is there already" in " ".join(again.stderr.split())


def test_what_is_no_record_is_said_to_be_none(run, tmp_path):
    nonsense = tmp_path / "nonsense"
    nonsense.write_text("nonsense")
    for file in (nonsense, tmp_path / "missing"):
        result = run("verify", file)
        assert result.exit_code == 1, result.output
        assert "Traceback" not in result.output


def test_a_package_is_loaded_into_an_empty_record_once(run, record, tmp_path, monkeypatch):
    package = package_of(record, tmp_path / "asked.zip")
    monkeypatch.setenv("MANYBATCH_DATABASE_URL", f"sqlite:///{tmp_path / 'new.db'}")
    first, again = run("load", package), run("load", package)
    assert (first.exit_code, again.exit_code) == (0, 0), first.output
    assert "Loaded 3 acts, 1 replications among them; 0 acts" in " ".join(first.stdout.split())
    assert "Loaded 0 acts, 0 replications among them; 3 acts" in " ".join(again.stdout.split())


def test_a_package_of_documents_that_this_version_does_not_take_is_refused(run, record, tmp_path, monkeypatch):
    with record.write() as session:
        asked = questions.by_slug(session, "asked")
        author = contributors.get(session, asked.author_id)
        questions.add_protocol(session, question=asked, author=author, document={"summary": "of another time"})
    package = package_of(record, tmp_path / "asked.zip")
    monkeypatch.setenv("MANYBATCH_DATABASE_URL", f"sqlite:///{tmp_path / 'new.db'}")
    result = run("load", package)
    assert result.exit_code == 1
    assert "protocol at position 4 isn't as this version" in " ".join(result.stderr.split())


def test_documents_are_loaded_and_refused_lines_are_named(run, sqlite_url, tmp_path, monkeypatch):
    monkeypatch.setattr(question_state, "LARGE", 0)
    database = Database(sqlite_url)
    with database.write() as session:
        author = builders.contributor(session)
        question = builders.question(session, author, slug="clear-before-strip")
        questions.add_protocol(session, question=question, author=author, document=documents.protocol())
    file = tmp_path / "documents.ndjson"
    good = documents.replication(protocol_version=2)
    file.write_text("\n".join(json.dumps(each) for each in (good, {**good, "more": 1}, {**good, "notes": "another"})))
    result = run("load", file)
    assert result.exit_code == 1
    assert "loaded 2 replications; 0 were there already" in " ".join(result.stdout.split())
    assert "line 2" in result.stderr
    assert "/more" in result.stderr
    with database.read() as session:
        assert len(replication_reads.page(session)) == 2
        assert kept_columns.read(session, question.id, ledger.last_position_of(session, question.id)) is not None
    database.dispose()


def test_packages_and_documents_are_not_mixed(run, record, tmp_path):
    package = package_of(record, tmp_path / "asked.zip")
    file = tmp_path / "documents.ndjson"
    file.write_text("{}\n")
    result = run("load", package, file)
    assert result.exit_code == 1
    assert "by themselves" in result.stderr
    assert run("load", tmp_path / "missing").exit_code == 1


@pytest.mark.parametrize(
    ("processors", "many", "checkers"),
    [(1, True, 0), (2, True, 1), (4, True, 3), (4, False, 0)],
)
def test_other_processes_check_documents_where_that_saves_time(run, tmp_path, monkeypatch, processors, many, checkers):
    monkeypatch.setattr("service.record_commands.os.cpu_count", lambda: processors)
    monkeypatch.setattr("service.record_commands._ONE_BY_ONE_UP_TO", 5000 if many else 10**9)
    seen = []

    def load_documents(_database, _file, *, processes, progress):
        seen.append(processes)
        return Loaded()

    monkeypatch.setattr("service.record_commands.load_documents", load_documents)
    file = tmp_path / "documents.ndjson"
    file.write_text(json.dumps({"notes": "n" * 400}) + "\n", encoding="utf-8")
    file.write_text(file.read_text() * 20, encoding="utf-8")
    assert run("load", file).exit_code == 0
    assert seen == [checkers]
