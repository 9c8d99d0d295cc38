# what raises is the end of a session's block

from concurrent.futures import ThreadPoolExecutor
from datetime import date

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError
from uuid_utils.compat import uuid7

from service.record import ledger, replication_reads, replications
from service.record.errors import Conflict, NotFound, StaleRevision
from tests.record import builders

RETRACTION = {"category": "mixed_up", "reason": "the buckets were swapped"}


class World:
    """One question, its steward, and a brewer."""

    def __init__(self, database):
        with database.write() as session:
            self.steward = builders.contributor(session, steward=True)
            self.brewer = builders.contributor(session)
            self.question = builders.question(session, self.steward)
        self.database = database

    def start(self, **given):
        with self.database.write() as session:
            return builders.replication(session, self.question, self.brewer, **given)

    def register(self, **given):
        return self.start(state="registered", **given)

    def do(self, action, replication, **given):
        with self.database.write() as session:
            return action(session, replication=replication, **given)

    def revise(self, replication, expected=1, **given):
        values = {"document": {"notes": "new"}, "fingerprint": "n" * 64, "observations": [], "reason": "a slip"}
        return self.do(replications.revise, replication, expected_revision=expected, **values | given)

    def submit(self, replication, **given):
        values = {"document": {"notes": "whole"}, "fingerprint": "s" * 64}
        values |= {"trials": [builders.trial()], "observations": [builders.observation()]}
        return self.do(replications.submit, replication, **values | given)

    def read(self, reading, *arguments, **given):
        with self.database.read() as session:
            return reading(session, *arguments, **given)

    def kinds(self, replication):
        return [entry.kind for entry in self.read(ledger.entries_about, str(replication.id))]


@pytest.fixture
def world(database):
    return World(database)


def test_a_whole_submission_is_kept_with_its_trials_and_document(world):
    trial = builders.trial(planned=12, order_draw="blocks", told_during=False, tasted_on=date(2031, 5, 1))
    made = world.start(document={"notes": "so"}, trials=[trial, builders.trial(correct=9)])
    found = world.read(replication_reads.get, made.id)
    assert found == made
    assert (found.state, found.revision, found.registered_at) == ("submitted", 1, None)
    assert found.started_position == found.submitted_position == 3
    assert world.read(replication_reads.document, found) == {"notes": "so"}
    assert world.read(replication_reads.trials, found) == [trial, builders.trial(correct=9)]
    entry = world.read(ledger.entry, 3)
    assert (entry.kind, entry.subject, entry.question_id) == ("submission", str(made.id), world.question.id)
    assert entry.at == found.created_at


def test_a_registration_stamps_the_plan_and_is_nobodys_business(world):
    made = world.register(plan={"presentations": 24})
    assert (made.state, made.submitted_position) == ("registered", None)
    assert made.registered_at == made.created_at
    assert made.registered_position == made.started_position
    assert not replication_reads.is_public(made)
    assert world.read(replication_reads.page, question_id=world.question.id) == []
    assert world.read(replication_reads.page, contributor_id=world.brewer.id, public_only=False) == [made]
    assert world.kinds(made) == ["registration"]


def test_a_registration_has_no_observations(world):
    with pytest.raises(ValueError, match="no observations"):
        world.register(observations=[builders.observation()])


def test_submitting_is_a_new_revision_of_the_same_plan(world):
    made = world.register(plan={"presentations": 24})
    done = world.submit(made, expected_revision=1)
    assert (done.state, done.revision, done.plan) == ("submitted", 2, {"presentations": 24})
    assert done.started_position < done.submitted_position
    assert replication_reads.is_public(done)
    assert [each.state for each in world.read(replication_reads.revisions, done)] == ["registered", "submitted"]
    with pytest.raises(Conflict):
        world.submit(made)


def test_revisions_are_kept_as_they_were_sent(world):
    made = world.start(document={"notes": "old"})
    done = world.revise(made, document={"notes": "new"}, reason="a slip", trials=[builders.trial(correct=5)])
    first, second = world.read(replication_reads.revisions, done)
    assert (first.document, first.reason) == ({"notes": "old"}, None)
    assert (second.document, second.reason) == ({"notes": "new"}, "a slip")
    assert second.position == first.position + 1
    assert world.read(replication_reads.document, done) == {"notes": "new"}
    assert world.read(replication_reads.document, done, 1) == {"notes": "old"}
    assert world.read(replication_reads.documents_at, [made.id], first.position) == {made.id: {"notes": "old"}}
    assert world.read(replication_reads.documents_at, [made.id], second.position) == {made.id: {"notes": "new"}}
    assert world.read(replication_reads.documents_at, [made.id], first.position - 1) == {}
    assert world.read(replication_reads.trials, done) == [builders.trial(correct=5)]
    with pytest.raises(NotFound):
        world.read(replication_reads.document, done, 3)


def test_an_edit_from_an_old_revision_is_refused(world):
    made = world.start()
    world.revise(made, expected=1)
    with pytest.raises(StaleRevision) as refusal:
        world.revise(made, expected=1)
    assert (refusal.value.expected, refusal.value.current) == (1, 2)


def test_of_edits_made_at_once_one_wins(world):
    made = world.start()

    def edit(_):
        try:
            world.revise(made, expected=1)
        except StaleRevision:
            return False
        return True

    with ThreadPoolExecutor(6) as pool:
        assert sum(pool.map(edit, range(6))) == 1


def test_before_submission_a_withdrawal_takes_effect_at_once(world):
    made = world.register()
    done = world.do(replications.withdraw, made, category="consent", reason="no time")
    assert (done.state, done.withdrawn_position) == ("withdrawn", 4)
    for action in (
        lambda: world.do(replications.withdraw, made, category="consent", reason=""),
        lambda: world.submit(made),
        lambda: world.revise(made),
        lambda: world.do(replications.retract, made, steward=world.steward, **RETRACTION),
    ):
        with pytest.raises(Conflict, match="withdrawn"):
            action()


@pytest.mark.parametrize("answered", [True, False])
def test_once_results_may_be_known_a_withdrawal_is_only_asked_for(world, answered):
    made = world.register() if answered else world.start()
    done = world.do(replications.withdraw, made, category="not_blind", reason="I saw the key", answered=answered)
    assert done.state == made.state
    assert (done.withdrawal_asked_position, done.withdrawn_position) == (4, None)
    with pytest.raises(Conflict, match="asked for already"):
        world.do(replications.withdraw, made, category="not_blind", reason="", answered=answered)
    assert world.do(replications.retract, made, steward=world.steward, **RETRACTION).state == "retracted"


def test_a_retraction_is_final_and_in_the_ledger(world):
    made = world.start()
    done = world.do(replications.retract, made, steward=world.steward, **RETRACTION)
    assert (done.state, done.retracted_position) == ("retracted", 4)
    assert world.kinds(made) == ["submission", "retraction"]
    assert world.read(ledger.content_of, 4)["reason"] == RETRACTION["reason"]
    with pytest.raises(Conflict, match="retracted"):
        world.do(replications.retract, made, steward=world.steward, **RETRACTION)


def test_a_question_that_is_not_open_takes_nothing(world):
    with world.database.write() as session:
        session.execute(text("UPDATE question SET status = 'closed'"))
    with pytest.raises(Conflict, match="closed"):
        world.start()


def test_a_protocol_version_must_be_there(world):
    with pytest.raises(IntegrityError):
        world.start(protocol_version=2)


def test_an_unknown_replication_is_not_found(world):
    made = world.start()
    with pytest.raises(NotFound):
        world.read(replication_reads.get, uuid7())
    made.id = uuid7()
    with pytest.raises(NotFound):
        world.revise(made)


def test_pages_go_from_the_newest_start_to_the_oldest(world):
    made = [world.start() for _ in range(4)]
    first = world.read(replication_reads.page, limit=3)
    second = world.read(replication_reads.page, limit=3, after=first[-1].started_position)
    assert [each.id for each in first + second] == [each.id for each in reversed(made)]
    assert world.read(replication_reads.page, contributor_id=world.steward.id) == []


def test_copies_are_found_by_how_their_fingerprints_begin(world):
    one = world.start(fingerprint="c" * 64)
    world.start(fingerprint="c" * 32 + "0" * 32)
    world.start(fingerprint="c" * 31 + "d" + "c" * 32)
    world.register(fingerprint="c" * 32 + "1" * 32)
    begun_alike = {"c" * 64, "c" * 32 + "0" * 32}
    assert world.read(replication_reads.fingerprints_like, world.question.id, ["c" * 32]) == begun_alike
    found = world.read(replication_reads.fingerprints_like, world.question.id, ["c" * 32], other_than=one.id)
    assert found == begun_alike - {"c" * 64}
    assert world.read(replication_reads.fingerprints_like, world.question.id, ["0" * 32, "f" * 32]) == set()
    many = [f"{number:032x}" for number in range(700)]
    assert world.read(replication_reads.fingerprints_like, world.question.id, [*many, "c" * 32]) == begun_alike
    assert world.read(replication_reads.fingerprints_like, uuid7(), ["c" * 32]) == set()


@pytest.mark.parametrize(
    "wrong",
    [
        {"trials": [builders.trial(correct=13)]},
        {"trials": [builders.trial(correct=-1)]},
        {"observations": [builders.observation(correct=13)]},
        {"observations": [builders.observation(variance=-0.1)]},
    ],
)
def test_impossible_counts_are_refused_by_the_tables_too(world, wrong):
    with pytest.raises(IntegrityError, match="ck_"):
        world.start(**wrong)
    assert world.read(ledger.head).size == 2


def test_a_failed_write_leaves_the_ledger_as_it_was(world):
    made = world.start()
    with pytest.raises(IntegrityError):
        world.revise(made, observations=[builders.observation(correct=13)])
    assert world.read(replication_reads.get, made.id).revision == 1
    assert world.read(ledger.head).size == 3
