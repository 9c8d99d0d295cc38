"""Columns read once and then followed are what a reading of every row gives, whatever happened in between."""

import contextlib
import random
import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.record import (
    contributors,
    kept_columns,
    ledger,
    merging,
    question_columns,
    replication_reads,
    replications,
    reports,
)
from service.record.column_bytes import to_bytes
from service.record.database import Database
from service.record.erasure import erase
from service.record.errors import Conflict
from service.record.question_columns import KeptColumns, state_at
from tests.record import builders, plain_reads

ACTS = ("start", "start", "submit", "amend", "withdraw", "retract", "report", "vouch", "erase", "merge", "take", "keep")


class Kitchen:
    """Does things to three questions, each act in a transaction of its own."""

    def __init__(self, database, seed):
        self.database, self.draw = database, random.Random(seed)  # noqa: S311  # a seeded order, no secret
        with database.write() as session:
            self.steward = builders.contributor(session, steward=True)
            self.brewers = [builders.contributor(session) for _ in range(4)]
            self.questions = [builders.question(session, self.steward) for _ in range(3)]
        self.taken = None

    def act(self, name):
        with self.database.write() as session:
            self.session = session
            getattr(self, name)()

    def one(self, *states):
        found = replication_reads.page(self.session, public_only=False, limit=200)
        own = {each.id for each in self.questions}
        live = [each for each in found if each.state in states and each.question_id in own]
        return self.draw.choice(live) if live else None

    def rows(self):
        return [
            builders.observation(correct=self.draw.randrange(13), flags=("a",) * self.draw.randrange(3)),
            builders.observation(
                outcome="final_sg", method=None, presented=None, correct=None, assessors=None,
                difference=self.draw.choice([0.0, -0.004, 0.1 + 0.2]), variance=self.draw.choice([None, 2e-6]),
                details={"control_value": self.draw.choice([1, 1.004, None]), "unit": "SG"},
                conditions_met=self.draw.choice([None, True, False]), moderators={"still": "pot", "plates": 2},
            ),
            builders.observation(outcome="reached_dryness", method=None, control_event=True, treatment_event=False),
        ][: self.draw.randrange(4)]  # fmt: skip

    def start(self):
        asked = [each for each in self.questions if each.status == "open"]
        by = [each for each in self.brewers if each.erased_at is None]
        if by:
            state = self.draw.choice(["registered", "submitted"])
            given = {"observations": self.rows()} if state == "submitted" else {}
            builders.replication(self.session, self.draw.choice(asked), self.draw.choice(by), state=state, **given)

    def submit(self):
        if one := self.one("registered"):
            replications.submit(
                self.session, replication=one, document={}, fingerprint="", trials=[], observations=self.rows()
            )

    def amend(self):
        if one := self.one("submitted"):
            replications.revise(
                self.session, replication=one, expected_revision=one.revision, document={}, fingerprint="", reason="x",
                observations=self.rows(),
            )  # fmt: skip

    def withdraw(self):
        one = self.one("registered", "submitted")
        if one and one.withdrawal_asked_position is None:
            replications.withdraw(self.session, replication=one, category="consent", reason="")

    def retract(self):
        if one := self.one("registered", "submitted"):
            replications.retract(self.session, replication=one, steward=self.steward, category="consent", reason="")

    def report(self):
        asked = [each for each in self.questions if each.status == "open"]
        reports.add(self.session, question=asked[0], contributor=self.steward, leans="neither", text="")

    def vouch(self):
        new = [each for each in self.brewers if each.vouched_position is None and each.erased_at is None]
        if new:
            self.refreshed(new[0], contributors.vouch(self.session, contributor=new[0], steward=self.steward))

    def erase(self):
        there = [each for each in self.brewers if each.erased_at is None]
        if len(there) > 1 and self.draw.random() < 0.3:
            self.refreshed(there[-1], erase(self.session, there[-1]))

    def refreshed(self, old, new):
        self.brewers[self.brewers.index(old)] = new

    def merge(self):
        asked = [each for each in self.questions if each.status == "open"]
        if len(asked) > 1 and self.draw.random() < 0.3:
            merged = merging.merge(
                self.session, question=asked[0], into=asked[1], steward=self.steward, reason="the same"
            )
            self.questions[self.questions.index(asked[0])] = merged

    def take(self):
        """See a question as its columns, to keep them now or later."""
        with self.database.read() as session:
            self.taken = columns_of(session, self.draw.choice(self.questions).id)

    def keep(self):
        if self.taken is None:
            return
        with contextlib.suppress(Conflict), self.session.begin_nested():
            keep(self.session, self.taken)
        # Who reads next has only what is kept to begin with.
        self.database._columns = KeptColumns()


def columns_of(session, question_id):
    return session.info["columns"].of(session, question_id, ledger.last_position_of(session, question_id))


def keep(session, columns):
    kept_columns.write(session, columns.observations.question_id, columns.position, to_bytes(columns))


def plainly(session, question_id, position):
    return plain_reads.at_position(session, question_id, position), plain_reads.starts_at(
        session, question_id, position
    )


def by_columns(session, question_id, position):
    rows, starts = state_at(session, question_id, position)
    return list(rows), list(starts)


def compare(database, kitchen, positions):
    for question in kitchen.questions:
        with database.read() as session:
            last = ledger.last_position_of(session, question.id)
            for position in {last, *(each for each in positions if question.position <= each < last)}:
                assert by_columns(session, question.id, position) == plainly(session, question.id, position)


def live(database, seed, acts):
    kitchen = Kitchen(database, seed)
    for number, act in enumerate(acts):
        kitchen.act(act)
        if kitchen.draw.random() < 0.4:
            compare(database, kitchen, [kitchen.draw.randrange(1, 12 + number)])
    compare(database, kitchen, range(1, 12 + len(acts)))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), acts=st.lists(st.sampled_from(ACTS), min_size=5, max_size=40))
def test_columns_that_follow_any_history_are_the_rows_whatever_was_kept(sqlite_url, seed, acts):
    database = Database(sqlite_url)
    live(database, seed, acts)
    database.dispose()


def test_columns_that_follow_a_history_are_the_rows_on_either_database(database):
    live(database, 20310517, [*ACTS * 5])


@pytest.fixture
def asked(database):
    with database.write() as session:
        steward = builders.contributor(session, steward=True)
        question = builders.question(session, steward)
        for _ in range(5):
            builders.replication(session, question, steward)
    return question


def look(database, question, position=None):
    with database.read() as session:
        return by_columns(session, question.id, position or ledger.last_position_of(session, question.id))


def test_a_question_is_read_once_and_then_only_what_changed(database, asked, readings):
    first = look(database, asked)
    assert look(database, asked) == first
    assert readings == ["all"]
    with database.write() as session:
        builders.replication(session, asked, builders.contributor(session))
        reports.add(
            session, question=asked, contributor=builders.contributor(session), leans="neither", text="nothing to read"
        )
    assert len(look(database, asked)[0]) == 6
    assert readings == ["all", 1]
    assert look(database, asked, 7) == first
    assert readings == ["all", 1]


def test_after_an_erasure_nothing_that_was_read_before_it_is_kept(database, asked, readings):
    with database.write() as session:
        leaving = builders.contributor(session)
        builders.replication(session, asked, leaving)
    assert len(look(database, asked)[0]) == 6
    with database.write() as session:
        erase(session, leaving)
    assert len(look(database, asked)[0]) == 5
    assert readings == ["all", "all"]


def test_what_a_writer_has_not_committed_is_kept_by_nobody(database, asked):
    look(database, asked)
    with database.write() as session:
        builders.replication(session, asked, builders.contributor(session))
        assert len(by_columns(session, asked.id, ledger.last_position_of(session, asked.id))[0]) == 6
        session.rollback()
    assert len(look(database, asked)[0]) == 5


def test_of_several_who_ask_at_once_one_reads(database, asked, readings):
    threads = [threading.Thread(target=look, args=(database, asked)) for _ in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert readings == ["all"]


def test_a_reading_that_fails_half_way_leaves_nothing_behind(database, asked, readings, monkeypatch):
    look(database, asked)
    with database.write() as session:
        builders.replication(session, asked, builders.contributor(session))
    with monkeypatch.context() as broken:
        broken.setattr(question_columns, "read_observations", lambda *_: iter([[("cut off",)]]))
        with pytest.raises(ValueError, match="zip"):
            look(database, asked)
    assert len(look(database, asked)[0]) == 6
    assert readings == ["all", "all"]


def test_what_was_asked_for_longest_ago_makes_room(database, asked):
    with database.write() as session:
        other = builders.question(session, builders.contributor(session))
        builders.replication(session, other, builders.contributor(session))
    with database.read() as session:
        whole = question_columns.up_to_now(session, asked.id).size_bytes()
    kept = KeptColumns(bound_bytes=whole + 100)
    with database.read() as session:
        first = kept.of(session, asked.id, 1)
        assert kept.of(session, asked.id, 1) is first
        kept.of(session, other.id, 1)
        assert kept.of(session, asked.id, 1) is not first


def test_too_many_changes_are_read_as_a_whole(database, asked, readings, monkeypatch):
    monkeypatch.setattr(question_columns, "_MOST_FOLLOWED", 2)
    look(database, asked)
    with database.write() as session:
        for _ in range(3):
            builders.replication(session, asked, builders.contributor(session))
    assert len(look(database, asked)[0]) == 8
    assert readings == ["all", "all"]
