from concurrent.futures import ThreadPoolExecutor

import pytest

from service.record import ledger, questions, replication_reads, replications
from service.record.errors import Conflict
from service.record.merging import merge
from service.record.rows import Counts
from service.record.tables import Replication
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
def pair(session, steward):
    return builders.question(session, steward, slug="copy"), builders.question(session, steward, slug="first")


def at(session, question, position=None):
    return plain_reads.at_position(session, question.id, position or ledger.head(session).size)


def starts(session, question, position=None):
    return plain_reads.starts_at(session, question.id, position or ledger.head(session).size)


def test_a_merged_questions_replications_stand_in_the_other_answer(session, steward, pair):
    copy, first = pair
    builders.replication(session, first, steward, observations=[builders.observation(correct=1)])
    builders.replication(session, copy, steward, observations=[builders.observation(correct=2)])
    builders.replication(session, copy, steward, state="registered")
    before = ledger.head(session).size
    copy = merge(session, question=copy, into=first, steward=steward, reason="the same")
    assert (copy.status, copy.merged_into_id, copy.merged_position) == ("merged", first.id, before + 1)
    assert [(each.correct, each.protocol_version) for each in at(session, first)] == [(1, 1), (2, None)]
    assert at(session, copy) == []
    assert len(starts(session, first)) == 3
    assert questions.counts(session, [copy.id, first.id]) == {first.id: Counts(2, 1)}
    assert len(replication_reads.page(session, question_id=first.id)) == 2
    assert ledger.last_position_of(session, first.id) == before + 1
    assert ledger.last_position_of(session, copy.id) == before + 2
    assert verify(session).whole


def test_the_answers_before_a_merge_stay_what_they_were(session, steward, pair):
    copy, first = pair
    builders.replication(session, copy, steward)
    before = ledger.head(session).size
    seen = [at(session, copy, before), at(session, first, before), starts(session, first, before)]
    merge(session, question=copy, into=first, steward=steward, reason="")
    assert [at(session, copy, before), at(session, first, before), starts(session, first, before)] == seen


def test_an_amendment_after_a_merge_counts_in_the_other_answer(session, steward, pair):
    copy, first = pair
    made = builders.replication(session, copy, steward)
    merge(session, question=copy, into=first, steward=steward, reason="")
    replications.revise(
        session,
        replication=made,
        expected_revision=1,
        document={},
        fingerprint="",
        observations=[builders.observation(correct=11)],
        reason="",
    )
    assert [each.correct for each in at(session, first)] == [11]
    assert ledger.last_position_of(session, first.id) == ledger.head(session).size


def test_what_was_retracted_before_a_merge_comes_along_as_retracted(session, steward, pair):
    copy, first = pair
    made = builders.replication(session, copy, steward)
    replications.retract(session, replication=made, steward=steward, category="mixed_up", reason="")
    merge(session, question=copy, into=first, steward=steward, reason="")
    assert [each.left_reason for each in at(session, first)] == ["retracted"]


def test_a_merge_of_a_merge_brings_everything(session, steward, pair):
    copy, first = pair
    last = builders.question(session, steward, slug="last")
    builders.replication(session, copy, steward)
    merge(session, question=copy, into=first, steward=steward, reason="")
    merge(session, question=first, into=last, steward=steward, reason="")
    assert len(at(session, last)) == len(starts(session, last)) == 1
    assert questions.counts(session, [last.id]) == {last.id: Counts(1, 1)}


def test_a_merged_question_takes_nothing_new(session, steward, pair):
    copy, first = pair
    merge(session, question=copy, into=first, steward=steward, reason="")
    with pytest.raises(Conflict, match="merged"):
        builders.replication(session, copy, steward)
    with pytest.raises(Conflict, match="merged"):
        questions.add_protocol(session, question=copy, author=steward, document={})
    with pytest.raises(Conflict, match="merged already"):
        merge(session, question=first, into=copy, steward=steward, reason="")


def test_only_two_different_questions_with_the_same_arms_are_merged(session, steward, pair):
    copy, first = pair
    with pytest.raises(Conflict, match="itself"):
        merge(session, question=copy, into=copy, steward=steward, reason="")
    other = builders.question(session, steward, arms=[{"key": "warm", "is_control": True}, {"key": "cold"}])
    with pytest.raises(Conflict, match="arms"):
        merge(session, question=other, into=first, steward=steward, reason="")


def test_no_start_is_lost_between_a_merge_and_those_who_go_on_writing(database):
    with database.write() as session:
        steward = builders.contributor(session)
        copy, first = (builders.question(session, steward) for _ in range(2))

    def start(number):
        if number == 6:
            return database.run_write(
                lambda session: merge(session, question=copy, into=first, steward=steward, reason="")
            )
        try:
            return database.run_write(lambda session: builders.replication(session, copy, steward))
        except Conflict:
            return None

    with ThreadPoolExecutor(4) as pool:
        started = sum(isinstance(each, Replication) for each in pool.map(start, range(20)))
    with database.read() as session:
        assert len(at(session, first)) == len(starts(session, first)) == started
        assert questions.counts(session, [copy.id, first.id]) == {first.id: Counts(started, 1)}
