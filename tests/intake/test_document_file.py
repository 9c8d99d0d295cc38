import json
from dataclasses import asdict

import pytest

from service.intake import asking, document_file, submission
from service.intake.document_file import load_documents
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.record import contributors, ledger, merging, questions, replication_reads
from service.record.database import Database
from service.record.verify import verify
from tests.intake import documents
from tests.record import plain_reads


@pytest.fixture
def asked(database):
    with database.write() as session:
        author = contributors.create(session, display_name="Asker", token_hash=None)
        question = asking.add_question(session, author, QuestionDocument.model_validate(documents.question()))
        asking.add_protocol(session, author, question, ProtocolDocument.model_validate(documents.protocol()))
        return question


@pytest.fixture
def file(tmp_path):
    def write(*lines):
        path = tmp_path / "documents.ndjson"
        path.write_text("".join(f"{line if isinstance(line, str) else json.dumps(line)}\n" for line in lines))
        return path

    return write


def counted(number):
    return documents.replication(trials=[documents.trial(assessors=[_taster(number)])])


def _taster(correct):
    return {"assessor": "p1", "presented": 12, "correct": correct}


def held(database, question):
    with database.read() as session:
        assert verify(session).whole
        return plain_reads.at_position(session, question.id, ledger.head(session).size)


def comparable(rows):
    who = ("id", "question_id", "replication_id", "household_id", "contributor_id", "entered_position")
    return [{name: value for name, value in asdict(row).items() if name not in who} for row in rows]


def test_a_loaded_file_leaves_the_evidence_of_as_many_submissions(database, asked, file):
    sent = [counted(5), counted(9), counted(5), documents.replication(state="registered", batches=[], trials=[])]
    loaded = load_documents(database, file(*sent))
    assert (loaded.loaded, loaded.already_there, loaded.refused) == (4, 0, [])
    by_file = comparable(held(database, asked))
    with database.write() as session:
        other = asking.add_question(
            session,
            contributors.create(session, display_name="Asker", token_hash=None),
            QuestionDocument.model_validate(documents.question(slug="other")),
        )
        asking.add_protocol(
            session,
            contributors.get(session, other.author_id),
            other,
            ProtocolDocument.model_validate(documents.protocol()),
        )
    for document in sent:
        with database.write() as session:
            by = contributors.create(session, display_name="Brewer", token_hash=None)
            submission.post_replication(
                session, by, ReplicationDocument.model_validate({**document, "question": "other"})
            )
    assert by_file == comparable(held(database, other))
    flagged = ["copy_of_another_document" in row["flags"] for row in by_file if row["method"] == "triangle"]
    assert flagged == [False, False, True]


def test_a_file_is_loaded_once_however_often_it_is_run(database, asked, file):
    lines = [counted(5), "", counted(5), counted(7)]
    load_documents(database, file(*lines))
    again = load_documents(database, file(*lines, counted(8)))
    assert (again.loaded, again.already_there) == (1, 3)
    assert len({row.replication_id for row in held(database, asked)}) == 4


def test_a_load_that_was_broken_off_goes_on_from_there(database, asked, file, monkeypatch):
    monkeypatch.setattr(document_file, "BATCH", 2)

    def break_off(done, _total):
        if done == 4:
            raise KeyboardInterrupt

    path = file(*(counted(number) for number in range(7)))
    with pytest.raises(KeyboardInterrupt):
        load_documents(database, path, progress=break_off)
    seen = []
    again = load_documents(database, path, progress=lambda done, total: seen.append((done, total)))
    assert (again.loaded, again.already_there) == (3, 4)
    assert seen == [(2, 7), (4, 7), (6, 7), (7, 7)]
    assert len({row.replication_id for row in held(database, asked)}) == 7


@pytest.mark.parametrize(
    ("line", "detail"),
    [
        ("{", "isn't JSON"),
        ("[]", "one JSON object"),
        ('{"question": "clear-before-strip", "protocol_version": 1, "notes": NaN}', "NaN is not JSON"),
        ('{"question": "clear-before-strip", "question": "clear-before-strip"}', "same key twice"),
        ("[" * 100_000, "nested too deep"),
        (documents.replication(question="none"), "no question has this slug"),
        (documents.replication(protocol_version=2), "no such protocol version"),
        (documents.replication(protocol_version="1"), "name the question"),
        (documents.replication(unknown=1), "Extra inputs"),
        (documents.replication(notes="\x00"), "NUL"),
        (documents.replication(batches=[documents.batch("nowhere")]), "no such arm"),
        (documents.replication(household=""), "1 to 80 characters"),
        (documents.replication(household=7), "1 to 80 characters"),
    ],
)
def test_a_line_that_is_refused_is_named_and_the_rest_goes_in(database, asked, file, line, detail):
    loaded = load_documents(database, file(counted(5), line, counted(6)))
    assert loaded.loaded == 2
    (refused,) = loaded.refused
    assert refused.number == 2
    told = [refused.refused.detail, *(fault.detail for fault in refused.refused.faults)]
    assert any(detail in each for each in told), told


def test_lines_of_one_household_are_one_household(database, asked, file):
    lines = [
        {**counted(number), **named}
        for number, named in enumerate([{"household": "mill"}, {}, {"household": "mill"}, {}])
    ]
    load_documents(database, file(*lines))
    households = [row.household_id for row in held(database, asked) if row.method]
    assert households[0] == households[2]
    assert len(set(households)) == 3


def test_what_names_a_question_that_is_merged_meanwhile_is_refused(database, asked, file, monkeypatch):
    monkeypatch.setattr(document_file, "BATCH", 2)
    with database.write() as session:
        author = contributors.get(session, asked.author_id)
        other = asking.add_question(session, author, QuestionDocument.model_validate(documents.question(slug="other")))
        asking.add_protocol(session, author, other, ProtocolDocument.model_validate(documents.protocol()))

    def merge(done, _total):
        if done == 2:
            with database.write() as session:
                into, question = questions.by_slug(session, "other"), questions.by_slug(session, asked.slug)
                merging.merge(session, question=question, into=into, steward=author, reason="the same")

    lines = [counted(1), counted(2), counted(3), {**counted(4), "question": "other"}, counted(5)]
    loaded = load_documents(database, file(*lines), progress=merge)
    assert loaded.loaded == 3
    assert [each.number for each in loaded.refused] == [3, 5]
    assert {each.refused.kind for each in loaded.refused} == {"conflict"}
    with database.read() as session:
        assert len(replication_reads.page(session, question_id=other.id)) == 3


def test_several_processes_weigh_as_one_does(sqlite_url, file):
    database = Database(sqlite_url)
    with database.write() as session:
        author = contributors.create(session, display_name="Asker", token_hash=None)
        question = asking.add_question(session, author, QuestionDocument.model_validate(documents.question()))
        asking.add_protocol(session, author, question, ProtocolDocument.model_validate(documents.protocol()))
    lines = [counted(number % 12) for number in range(240)]
    lines[150] = {**lines[150], "unknown": 1}
    loaded = load_documents(database, file(*lines), processes=2)
    assert loaded.loaded == 239
    assert [each.number for each in loaded.refused] == [151]
    order = [row.correct for row in held(database, question) if row.method]
    assert order == [number % 12 for number in range(240) if number != 150]
    database.dispose()
