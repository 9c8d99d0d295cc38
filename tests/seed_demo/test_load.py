"""Does the community get into a record by the front door, once, in its own time."""

import shutil
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from seed_demo.load import load
from seed_demo.truth import CIDER, MEAD, TRUTHS, WASH
from service.evidence.answer import answer
from service.evidence.filters import Filters
from service.record import contributors, ledger, questions, replication_reads
from service.record.database import Database
from service.record.errors import Conflict
from service.record.verify import verify
from tests.record import builders, plain_reads
from tests.seed_demo import figures


@pytest.fixture(scope="module")
def loaded(migrated_sqlite, tmp_path_factory):
    """A record with the community in it; nothing here writes to it again."""
    path = shutil.copy(migrated_sqlite, tmp_path_factory.mktemp("demo") / "demo.db")
    database = Database(f"sqlite:///{path}")
    load(database)
    yield database
    database.dispose()


@pytest.fixture(scope="module")
def answers(loaded):
    with loaded.read() as session:
        found = {}
        for truth in TRUTHS:
            question = questions.by_slug(session, truth.slug)
            found[truth.slug] = answer(session, question, Filters(), ledger.last_position_of(session, question.id))
        return found


def rows(database, question):
    with database.read() as session:
        found = questions.by_slug(session, question.slug)
        return plain_reads.at_position(session, found.id, ledger.last_position_of(session, found.id))


def test_it_goes_into_either_database_once(database):
    told = []

    first = load(database, progress=lambda done, total: told.append((done, total)))
    with database.read() as session:
        head = ledger.head(session)
        counts = {row.question.slug: row.counts for row in questions.page(session)}
    second = load(database)

    assert not first.already_there
    assert second.already_there
    assert (first.questions, first.households, first.replications) == (3, 30, 45)
    assert {slug: (each.replications, each.households) for slug, each in counts.items()} == {
        WASH.slug: (17, 17),
        MEAD.slug: (14, 14),
        CIDER.slug: (14, 14),
    }
    assert told == [(done, first.acts) for done in range(1, first.acts + 1)]
    with database.read() as session:
        assert ledger.head(session) == head


def test_the_ledger_is_whole_and_shows_the_community_s_own_times(loaded, community):
    with loaded.read() as session:
        entries = ledger.entries(session, limit=200)
        report = verify(session)

    assert report.whole
    assert all(earlier.at <= later.at for earlier, later in pairwise(entries))
    assert [entry.at for entry in entries] == [event.at for event in community.events if event.act != "join"]


def test_a_record_with_newer_entries_is_left_alone(sqlite_url):
    database = Database(sqlite_url, clock=lambda: datetime(2026, 11, 1, tzinfo=UTC))
    with database.write() as session:
        builders.question(session, builders.contributor(session))
    with database.read() as session:
        head = ledger.head(session)

    with pytest.raises(Conflict, match="fresh record"):
        load(database)

    with database.read() as session:
        assert ledger.head(session) == head
    database.dispose()


def test_a_steward_s_presence_is_no_hindrance(sqlite_url):
    database = Database(sqlite_url)
    with database.write() as session:
        contributors.create(session, display_name="Steward", token_hash="0" * 64, steward=True)

    assert not load(database).already_there
    database.dispose()


def test_what_was_registered_in_time_counts_as_registered(loaded):
    for question in TRUTHS:
        primary = [row for row in rows(loaded, question) if row.outcome == question.primary_outcome and not row.sham]
        assert sum(row.registered for row in primary) == question.registered


def test_registrations_show_nothing_but_the_plan(loaded):
    with loaded.read() as session:
        question = questions.by_slug(session, MEAD.slug)
        starts = plain_reads.starts_at(session, question.id, ledger.head(session).size)
        silent = [start for start in starts if start.state == "registered"]
        kept = replication_reads.get(session, silent[0].replication_id)
        document = replication_reads.document(session, kept)

    assert len(starts) == 15
    assert len(silent) == 1
    assert "batches" not in document
    assert "trials" not in document


def test_flags_are_raised_where_the_truth_says_that_something_went_wrong(loaded):
    tasted = [row for row in rows(loaded, WASH) if row.outcome == "perceivable_difference" and not row.sham]

    assert sum("strengths_not_shown_to_match" in row.flags for row in tasted) == 1
    assert sum("confound_suspected" in row.flags for row in tasted) == 1
    assert "copy_of_another_document" not in {flag for row in tasted for flag in row.flags}


def test_the_record_reduces_the_documents_to_the_figures_that_they_hold(loaded, community):
    for question in TRUTHS:
        found = [row for row in rows(loaded, question) if row.outcome == "final_sg"]
        expected = figures.differences(community.replications[question.slug])
        assert [row.difference for row in found] == pytest.approx(expected, abs=1e-12)


def test_the_evidence_finds_what_is_true_of_the_wash(answers, community):
    found = answers[WASH.slug]

    assert found.perceivable_difference.any_time.e_value == pytest.approx(
        figures.tasted(community.replications[WASH.slug]).e_value
    )
    assert found.perceivable_difference.any_time.e_value >= 20
    assert found.perceivable_difference.sham.households == 4
    assert found.counted.replications == 17
    assert found.certainty in {"building", "solid"}


def test_the_evidence_finds_what_is_true_of_the_mead(answers, community):
    found = answers[MEAD.slug]
    interval = figures.measured(community.replications[MEAD.slug])

    assert found.measured["final_sg"].primary
    assert found.measured["final_sg"].verdict == "bigger_than_matters"
    assert found.measured["final_sg"].any_time.high == pytest.approx(interval.high)
    assert found.perceivable_difference.any_time.largest_e_value < 20
    assert (found.counted.started, found.counted.reported) == (15, 14)


def test_the_evidence_finds_what_is_true_of_the_cider(answers):
    found = answers[CIDER.slug]

    assert found.measured["final_sg"].primary
    assert found.measured["final_sg"].verdict == "practically_the_same"
    assert found.perceivable_difference.any_time.largest_e_value < 20


def test_impressions_are_counted_apart(answers):
    leanings = [answers[question.slug].counted.unblinded_reports for question in TRUTHS]

    assert sum(each.control + each.treatment + each.neither for each in leanings) == 3
