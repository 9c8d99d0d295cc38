"""Writes that cross: whatever order they get through in, the record is whole and says one thing."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select, text

from service.record import (
    contributors,
    kept_columns,
    ledger,
    merging,
    questions,
    replication_reads,
    replications,
    reports,
)
from service.record.clock import utc_now
from service.record.column_bytes import to_bytes
from service.record.erasure import erase
from service.record.errors import Conflict, RecordError
from service.record.question_columns import up_to_now
from service.record.tables import LedgerContent, LedgerEntry, Observation, Replication
from service.record.verify import verify
from tests.record import builders, plain_reads


@pytest.fixture
def people(database):
    with database.write() as session:
        return [builders.contributor(session) for _ in range(2)]


@pytest.fixture
def asked(database, people):
    with database.write() as session:
        return builders.question(session, people[1])


def together(database, *works):
    """Run each work in a transaction of its own, all at once; give what each came to, an error where it raised one."""
    gate = threading.Barrier(len(works))

    def run(work):
        gate.wait()
        try:
            return database.run_write(work)
        except RecordError as error:
            return error

    with ThreadPoolExecutor(len(works)) as pool:
        return list(pool.map(run, works))


def test_nothing_is_written_for_somebody_once_they_are_erased(database, people, asked):
    brewer = people[0]
    with database.write() as session:
        erase(session, brewer)
    for work in (
        lambda session: builders.replication(session, asked, brewer),
        lambda session: reports.add(session, question=asked, contributor=brewer, leans="control", text="still here"),
        lambda session: builders.question(session, brewer),
        lambda session: questions.add_protocol(session, question=asked, author=brewer, document={}),
    ):
        with pytest.raises(Conflict, match="erased"), database.write() as session:
            work(session)


def test_starts_that_cross_an_erasure_are_refused_or_erased(database, people, asked):
    brewer = people[0]
    works = [lambda session: builders.replication(session, asked, brewer)] * 6
    works.insert(3, lambda session: erase(session, brewer))
    outcomes = together(database, *works)
    assert not isinstance(outcomes[3], RecordError)
    with database.read() as session:
        assert verify(session).whole
        kept = session.execute(select(Replication).where(Replication.contributor_id == brewer.id)).scalars().all()
        assert {each.state for each in kept} <= {"erased"}
        subjects = [str(each.id) for each in kept]
        left = select(LedgerContent.position).join(LedgerEntry, LedgerEntry.position == LedgerContent.position)
        assert session.execute(left.where(LedgerEntry.subject.in_(subjects))).all() == []
        standing = select(Observation).where(
            Observation.contributor_id == brewer.id, Observation.left_position.is_(None)
        )
        assert session.execute(standing).all() == []


@pytest.mark.parametrize("turn", range(3))
def test_columns_kept_while_somebody_is_erased_are_gone_or_were_never_kept(database, people, asked, turn):
    with database.write() as session:
        builders.replication(session, asked, people[0])
    with database.read() as session:
        columns = up_to_now(session, asked.id)

    def keep(session):
        kept_columns.write(session, asked.id, columns.position, to_bytes(columns))

    works = [keep, keep, keep]
    works.insert(turn, lambda session: erase(session, people[0]))
    assert not isinstance(together(database, *works)[turn], RecordError)
    with database.read() as session:
        assert kept_columns.read(session, asked.id, columns.position) is None


@pytest.mark.parametrize("turn", range(3))
def test_a_submission_that_crosses_a_withdrawal_ends_in_one_of_both(database, people, asked, turn):
    brewer = people[0]
    with database.write() as session:
        made = builders.replication(session, asked, brewer, state="registered")
    submit = {
        "replication": made,
        "expected_revision": 1,
        "document": {"notes": "done"},
        "fingerprint": "f" * 64,
        "trials": [],
        "observations": [builders.observation()],
    }
    submitted, withdrawn = together(
        database,
        lambda session: replications.submit(session, **submit),
        lambda session: replications.withdraw(session, replication=made, category="mixed_up", reason="swapped"),
    )
    with database.read() as session:
        assert verify(session).whole
        found = replication_reads.get(session, made.id)
        if isinstance(submitted, Conflict):
            assert found.state == "withdrawn"
        else:
            assert not isinstance(withdrawn, Conflict)
            assert (found.state, found.withdrawal_asked_position is not None) == ("submitted", True)


def test_starts_that_cross_a_merge_stand_in_one_answer(database, people, asked):
    steward = people[1]
    with database.write() as session:
        into = builders.question(session, steward)
        for _ in range(3):
            builders.replication(session, asked, people[0])
    works = [lambda session: builders.replication(session, asked, people[0])] * 5
    works.insert(
        2, lambda session: merging.merge(session, question=asked, into=into, steward=steward, reason="the same")
    )
    outcomes = together(database, *works)
    assert not isinstance(outcomes[2], RecordError)
    started = 3 + sum(isinstance(each, Replication) for each in outcomes)
    with database.read() as session:
        assert verify(session).whole
        at = ledger.head(session).size
        assert len(plain_reads.starts_at(session, into.id, at)) == started
        standing = text("SELECT question_id, count(*) FROM observation WHERE left_position IS NULL GROUP BY 1")
        assert [number for _, number in session.execute(standing)] == [started]


@pytest.mark.parametrize("act", ["retract", "erase", "withdraw", "vouch"])
def test_an_act_that_crosses_a_merge_counts_in_the_other_answer(database, people, asked, act):
    brewer, steward = people
    with database.write() as session:
        into = builders.question(session, steward)
        made = builders.replication(session, asked, brewer)

    def do(session):
        if act == "retract":
            replications.retract(session, replication=made, steward=steward, category="fabricated", reason="so")
        elif act == "erase":
            erase(session, brewer)
        elif act == "withdraw":
            replications.withdraw(session, replication=made, category="consent", reason="so")
        else:
            contributors.vouch(session, contributor=brewer, steward=steward)

    outcomes = together(
        database,
        do,
        lambda session: merging.merge(session, question=asked, into=into, steward=steward, reason="the same"),
    )
    assert not [each for each in outcomes if isinstance(each, RecordError)]
    with database.read() as session:
        assert verify(session).whole
        at = ledger.head(session).size
        (start,) = plain_reads.starts_at(session, into.id, at)
        reached = {
            "retract": start.retracted_position,
            "erase": start.erased_position,
            "withdraw": start.withdrawal_asked_position,
            "vouch": start.vouched or None,
        }
        assert reached[act] is not None
        assert replication_reads.get(session, made.id).counted_in_id == into.id
        # The other answer is touched by it, whichever came first.
        assert ledger.last_position_of(session, into.id) >= reached_at(session, made, brewer, act)


def reached_at(session, made, brewer, act):
    found = replication_reads.get(session, made.id)
    vouched = contributors.get(session, brewer.id).vouched_position
    name = {"retract": "retracted_position", "erase": "erased_position", "withdraw": "withdrawal_asked_position"}
    return vouched if act == "vouch" else getattr(found, name[act])


def test_two_edits_of_one_revision_leave_one(database, people, asked):
    with database.write() as session:
        made = builders.replication(session, asked, people[0])
    edit = {"replication": made, "expected_revision": 1, "fingerprint": "f" * 64, "reason": "mistyped"}
    outcomes = together(
        database,
        *(
            lambda session, note=note: replications.revise(session, **edit, document={"notes": note})
            for note in ("one", "other")
        ),
    )
    assert [isinstance(each, Conflict) for each in outcomes].count(True) == 1
    with database.read() as session:
        assert replication_reads.get(session, made.id).revision == 2


def test_a_clock_that_steps_back_never_takes_the_ledger_with_it(open_database):
    shown = iter([utc_now() + timedelta(hours=hours) for hours in (0, 0, 0, 0, 2, -5, 1, 3)] + [utc_now()] * 99)
    database = open_database(clock=lambda: next(shown))
    with database.write() as session:
        author = builders.contributor(session)
        question = builders.question(session, author)
    for _ in range(4):
        with database.write() as session:
            reports.add(session, question=question, contributor=author, leans="neither", text="")
    with database.read() as session:
        written = [each.at for each in ledger.entries(session)]
        assert written == sorted(written)
        assert verify(session).whole
