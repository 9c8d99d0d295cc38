import random

import pytest

from service.record import contributors, ledger, observations, replication_reads, replications, reports
from service.record.erasure import erase
from service.record.rows import ObservationRow
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
def question(session, steward):
    return builders.question(session, steward)


def at(session, question, position):
    return plain_reads.at_position(session, question.id, position)


def head(session):
    return ledger.head(session).size


def amend(session, replication, *rows):
    return replications.revise(
        session,
        replication=replication,
        expected_revision=replication.revision,
        document={},
        fingerprint="",
        observations=rows,
        reason="",
    )


def test_every_field_comes_back_as_it_went_in(session, steward, question):
    rows = [
        builders.observation(
            sham=True,
            sealed=True,
            registered=True,
            conditions_met=False,
            outside_the_test="orders in blocks",
            flags=("cut_by_taste", "no_mask"),
            details={"low": 0.1, "deep": [1, None]},
            moderators={"still": "pot", "plates": 0, "cleaned": True},
        ),
        ObservationRow(control="control", treatment="treatment", outcome="final_sg", difference=-0.008, variance=2e-6),
        ObservationRow(
            control="control", treatment="treatment", outcome="finished_dry", control_event=True, treatment_event=False
        ),
    ]
    made = builders.replication(session, question, steward, observations=rows)
    found = at(session, question, head(session))
    assert [{name: getattr(each, name) for name in observations._OWN} for each in found] == [
        {name: getattr(each, name) for name in observations._OWN} for each in rows
    ]
    for each in found:
        assert (each.question_id, each.replication_id, each.contributor_id) == (question.id, made.id, steward.id)
        assert (each.household_id, each.protocol_version) == (steward.household_id, 1)
        assert (each.entered_position, each.left_position, each.left_reason) == (made.submitted_position, None, None)


def test_an_amendment_changes_the_answer_from_its_own_position_on(session, steward, question):
    made = builders.replication(session, question, steward, observations=[builders.observation(correct=6)])
    amend(session, made, builders.observation(correct=9))
    entered = made.submitted_position
    assert at(session, question, entered - 1) == []
    (before,) = at(session, question, entered)
    (after,) = at(session, question, entered + 1)
    assert (before.correct, before.left_position, before.left_reason) == (6, None, None)
    assert (after.correct, after.entered_position) == (9, entered + 1)


def test_the_retracted_come_along_marked_and_only_from_their_retraction_on(session, steward, question):
    made = builders.replication(session, question, steward)
    replications.retract(session, replication=made, steward=steward, category="fabricated", reason="")
    (before,) = at(session, question, head(session) - 1)
    (after,) = at(session, question, head(session))
    assert before.left_reason is None
    assert (after.left_reason, after.left_position) == ("retracted", head(session))
    assert after.id == before.id


def test_what_was_amended_before_a_retraction_is_not_put_back(session, steward, question):
    made = builders.replication(session, question, steward, observations=[builders.observation(correct=6)])
    made = amend(session, made, builders.observation(correct=9))
    replications.retract(session, replication=made, steward=steward, category="fabricated", reason="")
    assert [each.correct for each in at(session, question, head(session))] == [9]


def test_a_withdrawal_that_is_only_asked_for_leaves_the_answer_alone(session, steward, question):
    made = builders.replication(session, question, steward)
    before = at(session, question, head(session))
    replications.withdraw(session, replication=made, category="consent", reason="")
    assert at(session, question, head(session)) == before
    (start,) = plain_reads.starts_at(session, question.id, head(session))
    assert (start.state, start.withdrawal_asked_position) == ("submitted", head(session))


def test_other_questions_are_left_out(session, steward, question):
    builders.replication(session, builders.question(session, steward), steward)
    assert at(session, question, head(session)) == []
    assert plain_reads.starts_at(session, question.id, head(session)) == []


def test_every_start_is_what_it_was_at_each_position(session, steward, question):
    silent = builders.replication(session, question, steward, state="registered", plan={"presentations": 9})
    gone = builders.replication(session, question, steward, state="registered")
    done = builders.replication(session, question, steward, state="registered")
    done = replications.submit(
        session, replication=done, document={}, fingerprint="", trials=[], observations=[builders.observation()]
    )
    replications.withdraw(session, replication=gone, category="consent", reason="")
    replications.retract(session, replication=done, steward=steward, category="duplicate", reason="")

    def states(position):
        return [each.state for each in plain_reads.starts_at(session, question.id, position)]

    first = silent.started_position
    assert [states(first + step) for step in range(-1, 6)] == [
        [],
        ["registered"],
        ["registered", "registered"],
        ["registered", "registered", "registered"],
        ["registered", "registered", "submitted"],
        ["registered", "withdrawn", "submitted"],
        ["registered", "withdrawn", "retracted"],
    ]
    start = plain_reads.starts_at(session, question.id, first)[0]
    assert (start.replication_id, start.household_id, start.plan) == (
        silent.id,
        steward.household_id,
        {"presentations": 9},
    )
    assert start.registered_position == first
    later = plain_reads.starts_at(session, question.id, first + 3)[2]
    assert (later.submitted_position, later.retracted_position) == (first + 3, None)


def test_reports_are_counted_by_leaning_at_each_position(session, steward, question):
    for leans in ("treatment", "treatment", "neither"):
        reports.add(session, question=question, contributor=steward, leans=leans, text="so it seemed")
    end = head(session)
    assert reports.leanings_at(session, question.id, end) == reports.Leanings(control=0, treatment=2, neither=1)
    assert reports.leanings_at(session, question.id, end - 2) == reports.Leanings(control=0, treatment=1, neither=0)


class Kitchen:
    """Does things to one question in a drawn order."""

    def __init__(self, session, question, steward, draw):
        self.session, self.question, self.steward, self.draw = session, question, steward, draw
        self.brewers = [builders.contributor(session) for _ in range(4)]

    def one(self, *states):
        found = replication_reads.page(self.session, question_id=self.question.id, public_only=False, limit=200)
        live = [each for each in found if each.state in states]
        return self.draw.choice(live) if live else None

    def start(self):
        state = self.draw.choice(["registered", "submitted"])
        builders.replication(self.session, self.question, self.draw.choice(self.brewers), state=state)

    def submit(self):
        if one := self.one("registered"):
            rows = [builders.observation(correct=self.draw.randrange(13))]
            replications.submit(
                self.session, replication=one, document={}, fingerprint="", trials=[], observations=rows
            )

    def amend(self):
        if one := self.one("submitted"):
            amend(self.session, one, builders.observation(correct=self.draw.randrange(13)))

    def withdraw(self):
        one = self.one("registered", "submitted")
        if one and one.withdrawal_asked_position is None:
            replications.withdraw(self.session, replication=one, category="consent", reason="")

    def retract(self):
        if one := self.one("registered", "submitted"):
            replications.retract(self.session, replication=one, steward=self.steward, category="consent", reason="")

    def report(self):
        reports.add(self.session, question=self.question, contributor=self.steward, leans="neither", text="")

    def vouch(self):
        if new := next((each for each in self.brewers if each.vouched_position is None), None):
            contributors.vouch(self.session, contributor=new, steward=self.steward)

    def look(self, position):
        return (
            at(self.session, self.question, position),
            plain_reads.starts_at(self.session, self.question.id, position),
            reports.leanings_at(self.session, self.question.id, position),
        )


def test_an_answer_at_a_position_is_the_same_whatever_happens_later(session, steward, question):
    kitchen = Kitchen(session, question, steward, random.Random(20310517))  # noqa: S311  # a seeded order, no secret
    seen = {}
    acts = ["start", "start", "submit", "amend", "withdraw", "retract", "report", "vouch"]
    for _ in range(100):
        getattr(kitchen, kitchen.draw.choice(acts))()
        seen.setdefault(head(session), kitchen.look(head(session)))
    erase(session, kitchen.brewers[0])
    assert len(seen) > 40
    assert {position: kitchen.look(position) for position in seen} == seen
    assert verify(session).whole
