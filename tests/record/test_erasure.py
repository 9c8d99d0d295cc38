import pytest
from sqlalchemy import text

from service.record import (
    contributors,
    idempotency,
    kept_columns,
    ledger,
    questions,
    replication_reads,
    replications,
    reports,
)
from service.record.column_bytes import to_bytes
from service.record.erasure import ERASED_NAME, erase
from service.record.errors import Conflict
from service.record.question_columns import up_to_now
from service.record.verify import verify
from tests.record import builders, plain_reads


@pytest.fixture
def session(database):
    with database.write() as session:
        yield session


@pytest.fixture
def steward(session):
    return builders.contributor(session, steward=True)


@pytest.fixture
def brewer(session):
    return builders.contributor(session, display_name="Somebody", token_hash="e" * 64)


def test_documents_and_names_go_and_the_tree_stays_whole(session, steward, brewer):
    question = builders.question(session, steward)
    made = builders.replication(session, question, brewer, document={"notes": "my cellar in Elmstead"})
    replications.revise(
        session,
        replication=made,
        expected_revision=1,
        document={"notes": "my attic"},
        fingerprint="f",
        trials=[builders.trial()],
        reason="I moved",
    )
    replications.withdraw(session, replication=made, category="consent", reason="my neighbour complained")
    reports.add(session, question=question, contributor=brewer, leans="control", text="in my opinion")
    contributors.vouch(session, contributor=brewer, steward=steward, reason="I know Somebody")
    theirs = builders.replication(session, question, steward, document={"notes": "kept"})
    columns = up_to_now(session, question.id)
    kept_columns.write(session, question.id, columns.position, to_bytes(columns))
    root = ledger.head(session).root_hash
    size = ledger.head(session).size

    brewer = erase(session, brewer)

    assert (brewer.display_name, brewer.token_hash) == (ERASED_NAME, None)
    assert brewer.erased_at == ledger.head(session).at
    assert contributors.by_token_hash(session, "e" * 64) is None
    report = verify(session)
    assert report.whole, report.problems
    assert report.erased == 5
    assert ledger.entry(session, size).root_hash == root
    tables = session.execute(text("SELECT content FROM ledger_content")).scalars().all()
    tables += session.execute(text("SELECT text FROM question_report")).scalars().all()
    tables += [each or "" for each in session.execute(text("SELECT reason FROM replication_revision")).scalars()]
    for word in ("cellar", "attic", "moved", "neighbour", "opinion", "Somebody"):
        assert not any(word in each for each in tables), word
    assert session.execute(text("SELECT count(*) FROM kept_column")).scalar_one() == 0
    found = replication_reads.get(session, made.id)
    assert (found.state, found.fingerprint) == ("erased", "")
    assert replication_reads.is_public(found)
    assert replication_reads.document(session, found) is None
    assert [each.document for each in replication_reads.revisions(session, found)] == [None, None]
    assert replication_reads.trials(session, found) == []
    assert replication_reads.documents_at(session, [made.id, theirs.id], size) == {theirs.id: {"notes": "kept"}}


def test_the_answer_loses_them_from_the_erasure_on_and_not_before(session, steward, brewer):
    question = builders.question(session, steward)
    builders.replication(session, question, brewer)
    out = builders.replication(session, question, brewer)
    replications.retract(session, replication=out, steward=steward, category="fabricated", reason="")
    before = ledger.head(session).size
    erase(session, brewer)
    assert ledger.last_position_of(session, question.id) == before + 1
    assert len(plain_reads.at_position(session, question.id, before)) == 2
    assert plain_reads.at_position(session, question.id, before + 1) == []
    states = [each.state for each in plain_reads.starts_at(session, question.id, before + 1)]
    assert states == ["erased", "erased"]


def test_every_question_they_touched_has_an_entry(session, steward, brewer):
    asked = [builders.question(session, steward) for _ in range(3)]
    builders.replication(session, asked[0], brewer)
    reports.add(session, question=asked[1], contributor=brewer, leans="neither", text="hm")
    before = ledger.head(session).size
    erase(session, brewer)
    touched = {entry.question_id for entry in ledger.entries(session, after=before)}
    assert touched == {asked[0].id, asked[1].id}
    assert verify(session).whole


def test_somebody_who_wrote_nothing_is_erased_too_and_only_once(session, brewer):
    brewer = erase(session, brewer)
    assert brewer.erased_at is not None
    assert [entry.kind for entry in ledger.entries(session)] == ["erasure"]
    with pytest.raises(Conflict):
        erase(session, brewer)
    with pytest.raises(Conflict):
        contributors.vouch(session, contributor=brewer, steward=brewer)


def test_questions_that_others_follow_stay(session, brewer):
    question = builders.question(session, brewer)
    erase(session, brewer)
    assert questions.protocol(session, question, 1).document == {"summary": "Run both."}


def test_kept_answers_go_with_them(session, brewer):
    same = {"contributor_id": brewer.id, "method": "POST", "path": "/x", "key": "k"}
    idempotency.claim(session, **same, request_hash="h")
    erase(session, brewer)
    assert session.execute(text("SELECT count(*) FROM idempotency_key")).scalar_one() == 0
