"""Answers over a real record: the same at a position for ever, whatever is written after."""

import pytest

from service.evidence.answer import answer
from service.evidence.filters import Filters
from service.evidence.studies import studies_of
from service.record import contributors, erasure, ledger, merging, questions, replication_reads, replications, reports
from tests.record import builders as record

PLAN = {"method": "triangle", "presentations": 12, "control": "control", "treatment": "treatment"}
AIM = {"summary": "Run both.", "split_point": "spirit", "outcomes": [{"outcome": "perceivable_difference"}]}


@pytest.fixture
def asked(database):
    """A question with four households in its answer, and another beside it."""
    with database.write() as session:
        author = record.contributor(session)
        question = record.question(session, author)
        questions.add_protocol(session, question=question, author=author, document=AIM)
        other = record.question(session, author)
        people = [record.contributor(session) for _ in range(4)]
    for place, person in enumerate(people):
        rows = [
            record.observation(correct=5 + place),
            record.observation(
                outcome="final_sg", method=None, presented=None, correct=None, difference=-0.001 * place
            ),
        ]
        with database.write() as session:
            record.replication(session, question, person, protocol_version=2, plan=PLAN, observations=rows)
    return question, other, people


def body(database, question, position=None, filters=None) -> bytes:
    with database.read() as session:
        found = questions.get(session, question.id)
        at = ledger.last_position_of(session, question.id, until=position)
        return answer(session, found, filters or Filters(), at).model_dump_json().encode()


def last(database, question) -> int:
    with database.read() as session:
        return ledger.last_position_of(session, question.id)


def made(database, question, position=None):
    with database.read() as session:
        found = questions.get(session, question.id)
        return answer(session, found, Filters(), ledger.last_position_of(session, found.id, until=position))


def of(session, person, question):
    page = replication_reads.page(session, question_id=question.id, public_only=False, limit=200)
    return next(each for each in page if each.contributor_id == person.id)


def test_an_answer_at_a_position_stays_the_same_to_the_last_byte(database, asked):
    question, other, people = asked
    before, position = body(database, question), last(database, question)

    with database.write() as session:
        steward = contributors.create(session, display_name="Steward", token_hash="5" * 64, steward=True)
        newcomer = record.contributor(session)
        record.replication(session, question, newcomer, protocol_version=2, plan=PLAN)
        record.replication(session, question, newcomer, protocol_version=2, plan=PLAN, state="registered")
        reports.add(session, question=question, contributor=newcomer, leans="neither", text="Hm.")
        contributors.vouch(session, contributor=people[1], steward=steward)
    with database.write() as session:
        replications.revise(
            session,
            replication=of(session, people[0], question),
            expected_revision=1,
            document={"notes": "counted again"},
            fingerprint="f" * 64,
            observations=[record.observation(correct=12)],
            reason="miscounted",
        )
        replications.withdraw(session, replication=of(session, people[1], question), category="mixed_up", reason="?")
        replications.retract(
            session,
            replication=of(session, people[2], question),
            steward=steward,
            category="mixed_up",
            reason="bottles",
        )
    with database.write() as session:
        erasure.erase(session, contributors.get(session, people[3].id))
    with database.write() as session:
        merging.merge(
            session,
            question=questions.get(session, question.id),
            into=questions.get(session, other.id),
            steward=steward,
            reason="the same",
        )

    assert body(database, question) != before
    assert body(database, question, position) == before


def test_a_write_to_another_question_changes_nothing(database, asked):
    question, other, people = asked
    before = body(database, question)
    with database.write() as session:
        record.replication(session, other, people[0])
        reports.add(session, question=other, contributor=people[1], leans="control", text="Hm.")
    assert body(database, question) == before


def test_an_amendment_replaces_what_it_amends(database, asked):
    question, _, people = asked
    with database.write() as session:
        replications.revise(
            session,
            replication=of(session, people[0], question),
            expected_revision=1,
            document={"notes": "counted again"},
            fingerprint="f" * 64,
            observations=[record.observation(correct=12)],
            reason="miscounted",
        )
    found = made(database, question).perceivable_difference
    assert (found.households, found.correct) == (4, 12 + 6 + 7 + 8)


def test_a_result_that_is_asked_back_stays_and_one_not_begun_goes(database, asked):
    question, _, people = asked
    with database.write() as session:
        registered = record.replication(session, question, people[0], protocol_version=2, plan=PLAN, state="registered")
        replications.withdraw(session, replication=registered, category="mixed_up", reason="no time")
        replications.withdraw(session, replication=of(session, people[1], question), category="mixed_up", reason="?")
    counts = made(database, question).counted
    assert (counts.started, counts.reported, counts.replications, counts.withdrawal_asked) == (5, 4, 4, 1)
    assert [(each.reason, each.count) for each in counts.left_out] == [("withdrawn", 1)]


def test_a_retraction_is_shown_with_and_without_and_an_erasure_only_without(database, asked):
    question, _, people = asked
    with database.write() as session:
        steward = contributors.create(session, display_name="Steward", token_hash="5" * 64, steward=True)
        replications.retract(
            session,
            replication=of(session, people[3], question),
            steward=steward,
            category="mixed_up",
            reason="bottles",
        )
    found = made(database, question).perceivable_difference
    assert (found.correct, found.robustness.with_retracted.correct) == (18, 26)
    with database.write() as session:
        erasure.erase(session, contributors.get(session, people[3].id))
    found = made(database, question)
    assert found.perceivable_difference.robustness.with_retracted.correct == 18
    assert found.perceivable_difference.robustness.silent_as_chance.correct == 18 + 4
    assert (found.counted.started, found.counted.reported) == (4, 3)


def test_a_vouch_counts_from_its_own_entry_on(database, asked):
    question, _, people = asked
    position = last(database, question)
    with database.write() as session:
        steward = contributors.create(session, display_name="Steward", token_hash="5" * 64, steward=True)
        contributors.vouch(session, contributor=people[1], steward=steward)
    assert made(database, question).perceivable_difference.robustness.vouched_only.correct == 6
    assert made(database, question, position).perceivable_difference.robustness.vouched_only.correct == 0


def test_after_a_merge_one_question_answers_for_both_and_the_other_says_so(database, asked):
    question, other, _ = asked
    with database.write() as session:
        steward = contributors.create(session, display_name="Steward", token_hash="5" * 64, steward=True)
        merging.merge(
            session,
            question=questions.get(session, question.id),
            into=questions.get(session, other.id),
            steward=steward,
            reason="the same",
        )
    old, new = made(database, question), made(database, other)
    assert old.question.status == "merged"
    assert other.slug in old.answer
    assert [(each.reason, each.count) for each in old.counted.left_out] == [(f"counted in {other.slug}", 4)]
    assert (new.counted.started, new.counted.replications, new.perceivable_difference.correct) == (4, 4, 26)
    # The merged replications follow another protocol: where their arms parted isn't this question's to say.
    assert new.perceivable_difference.sham is None


def test_studies_are_paged_in_order_of_receipt(database, asked):
    question, _, _ = asked
    with database.read() as session:
        found = questions.get(session, question.id)
        at = ledger.last_position_of(session, found.id)
        outcome, first = studies_of(session, found, Filters(), at, None, 0, 3)
        _, rest = studies_of(session, found, Filters(), at, None, 3, 3)
        measure, differences = studies_of(session, found, Filters(), at, "final_sg", 0, 10)
    assert outcome == "perceivable_difference"
    assert [study.correct for study in (*first, *rest)] == [5, 6, 7, 8]
    assert (measure, [study.difference for study in differences]) == ("final_sg", [0.0, -0.001, -0.002, -0.003])
    with database.read() as session:
        shown = answer(session, found, Filters(), at).perceivable_difference.studies
    assert [study.model_dump() for study in (*first, *rest)] == [study.model_dump() for study in shown]
