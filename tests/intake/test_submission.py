import json
from datetime import UTC, datetime, timedelta

import pytest

from service.intake import asking, submission
from service.intake.documents import (
    Impression,
    ProtocolDocument,
    QuestionDocument,
    ReplicationDocument,
    Revision,
    Withdrawal,
)
from service.intake.refusals import Refused
from service.record import contributors, ledger, questions, replication_reads
from service.record.errors import Conflict, StaleRevision
from tests.intake import documents
from tests.record import plain_reads

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)


class Clock:
    def __init__(self):
        self.shows = NOON

    def __call__(self):
        self.shows += timedelta(seconds=1)
        return self.shows


@pytest.fixture
def record(open_database):
    return open_database(clock=Clock())


@pytest.fixture
def people(record):
    with record.write() as session:
        author = contributors.create(session, display_name="Author", token_hash="a" * 64)
        other = contributors.create(session, display_name="Other", token_hash="b" * 64)
        steward = contributors.create(session, display_name="Steward", token_hash="c" * 64, steward=True)
    return author, other, steward


@pytest.fixture
def asked(record, people):
    with record.write() as session:
        question = asking.add_question(session, people[0], QuestionDocument.model_validate(documents.question()))
        asking.add_protocol(session, people[0], question, ProtocolDocument.model_validate(documents.protocol()))
    return question


def replication(**changes) -> ReplicationDocument:
    return ReplicationDocument.model_validate(documents.replication(**changes))


def revision(**changes) -> Revision:
    return Revision.model_validate(documents.replication(**changes))


def rows(session, question):
    return plain_reads.at_position(session, question.id, ledger.head(session).size)


def test_a_question_is_named_after_its_title_and_numbered(record, people):
    given = QuestionDocument.model_validate({**documents.question(), "slug": None, "title": "Öppen jäsning: bättre?"})
    with record.write() as session:
        slugs = [asking.add_question(session, people[0], given).slug for _ in range(3)]
    assert slugs == ["oppen-jasning-battre", "oppen-jasning-battre-2", "oppen-jasning-battre-3"]


def test_a_title_without_letters_still_has_an_address(record, people):
    given = QuestionDocument.model_validate({**documents.question(), "slug": None, "title": "???"})
    with record.write() as session:
        assert asking.add_question(session, people[0], given).slug == "question"


def test_a_question_reads_back_as_it_was_put(asked):
    back = asking.question_document(asked)
    assert back == QuestionDocument.model_validate(documents.question())


def test_a_slug_that_was_asked_for_and_is_taken_is_a_conflict(record, people, asked):
    with pytest.raises(Conflict), record.write() as session:
        asking.add_question(session, people[1], QuestionDocument.model_validate(documents.question()))


def test_only_the_author_or_a_steward_publishes_protocols(record, people, asked):
    document = ProtocolDocument.model_validate(documents.protocol())
    with pytest.raises(Refused) as caught, record.write() as session:
        asking.add_protocol(session, people[1], asked, document)
    assert caught.value.kind == "forbidden"
    with record.write() as session:
        assert asking.add_protocol(session, people[2], asked, document).version == 2


def test_the_primary_outcome_is_frozen_by_the_first_version(record, people, asked):
    outcomes = [{"outcome": "final_sg", "primary": True}, {"outcome": "perceivable_difference"}]
    document = ProtocolDocument.model_validate(documents.protocol(outcomes=outcomes))
    with pytest.raises(Refused) as caught, record.write() as session:
        asking.add_protocol(session, people[0], asked, document)
    assert caught.value.kind == "conflict"
    other = documents.protocol(outcomes=outcomes)
    other["trial"]["treatment"] = "fined"
    with record.write() as session:
        asking.add_protocol(session, people[0], asked, ProtocolDocument.model_validate(other))


def test_an_impression_is_kept_apart(record, people, asked):
    with record.write() as session:
        asking.add_impression(session, people[1], asked, Impression(leans="treatment", text="softer"))
    with record.read() as session:
        assert rows(session, asked) == []


def test_a_submission_is_kept_reduced_and_shown(record, people, asked):
    with record.write() as session:
        kept = submission.post_replication(session, people[1], replication())
    assert kept.replication.state == "submitted"
    assert kept.document["plan"]["method"] == "triangle"
    assert kept.document["plan"]["significance"] == 0.05
    assert kept.report.trials[0].p_value == pytest.approx(9969 / 3**12)  # the binomial tail, by hand
    with record.read() as session:
        found = {row.outcome: row for row in rows(session, asked)}
        assert submission.report_of(session, kept.replication) == kept.report
        stored = replication_reads.document(session, kept.replication)
    assert found["perceivable_difference"].correct == 8
    assert found["final_sg"].difference == 0
    assert stored == documents.replication()


def test_checking_gives_the_same_report_and_keeps_nothing(record, people, asked):
    with record.read() as session:
        before = ledger.head(session).size
        checked = submission.check_only(session, replication())
        assert ledger.head(session).size == before
    with record.write() as session:
        assert submission.post_replication(session, people[1], replication()).report == checked


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [({"question": "no-such"}, "/question"), ({"protocol_version": 7}, "/protocol_version")],
)
def test_what_the_record_does_not_have_is_pointed_at(record, asked, changes, pointer):
    with pytest.raises(Refused) as caught, record.read() as session:
        submission.check_only(session, replication(**changes))
    assert caught.value.kind == "invalid"
    assert [fault.pointer for fault in caught.value.faults] == [pointer]


def test_a_registered_plan_counts_what_comes_after_it(record, people, asked):
    with record.write() as session:
        kept = submission.post_replication(session, people[1], replication(state="registered", batches=[], trials=[]))
    assert kept.replication.registered_at is not None
    assert kept.report.trials == []
    with record.write() as session:
        kept = submission.put_replication(session, people[1], kept.replication.id, revision(), 1)
    assert (kept.replication.state, kept.replication.revision) == ("registered", 2)
    assert kept.document["state"] == "registered"
    with record.read() as session:
        assert rows(session, asked) == []
    with record.write() as session:
        kept = submission.submit_registered(session, people[1], kept.replication.id)
    assert (kept.replication.state, kept.replication.revision) == ("submitted", 3)
    assert kept.document["state"] == "submitted"
    with record.read() as session:
        found = rows(session, asked)
    assert found
    assert all(row.registered for row in found)
    assert "not_registered" not in {flag.name for flag in kept.report.deviations}


@pytest.mark.parametrize(
    "changes",
    [
        {"plan": {"presentations": 24}},
        {"plan": {"significance": 0.1}},
        {"plan": {"treatment": "fined"}},
        {"protocol_version": 2},
    ],
)
def test_a_plan_never_changes(record, people, asked, changes):
    with record.write() as session:
        kept = submission.post_replication(session, people[1], replication(state="registered"))
    with pytest.raises(Refused) as caught, record.write() as session:
        submission.put_replication(session, people[1], kept.replication.id, revision(**changes), 1)
    assert caught.value.kind == "plan_fixed"


def test_an_amendment_needs_a_reason_and_replaces_the_rows(record, people, asked):
    with record.write() as session:
        kept = submission.post_replication(session, people[1], replication())
    with pytest.raises(Refused) as caught, record.write() as session:
        submission.put_replication(session, people[1], kept.replication.id, revision(), 1)
    assert caught.value.faults[0].pointer == "/reason"
    fewer = [documents.trial(assessors=[{"assessor": "p1", "presented": 12, "correct": 7}])]
    amended = revision(trials=fewer, reason="a mark was read wrongly")
    with record.write() as session:
        submission.put_replication(session, people[1], kept.replication.id, amended, 1)
    with record.read() as session:
        assert [row.correct for row in rows(session, asked) if row.outcome == "perceivable_difference"] == [7]
        history = replication_reads.revisions(session, kept.replication)
    assert [each.reason for each in history] == [None, "a mark was read wrongly"]
    assert "reason" not in history[1].document
    with pytest.raises(StaleRevision), record.write() as session:
        submission.put_replication(session, people[1], kept.replication.id, amended, 1)


def test_others_may_not_write_nor_know_of_what_is_not_public(record, people, asked):
    with record.write() as session:
        hidden = submission.post_replication(session, people[1], replication(state="registered"))
        public = submission.post_replication(session, people[1], replication())
    for kept, kind in ((hidden, "not_found"), (public, "forbidden")):
        with pytest.raises(Refused) as caught, record.write() as session:
            submission.submit_registered(session, people[0], kept.replication.id)
        assert caught.value.kind == kind


def test_withdrawing_before_an_answer_is_out_and_after_it_is_an_ask(record, people, asked):
    reason = Withdrawal(category="mixed_up", reason="the buckets were swapped")
    with record.write() as session:
        silent = submission.post_replication(session, people[1], replication(state="registered", trials=[]))
        answered = submission.post_replication(session, people[1], replication(state="registered"))
        whole = submission.post_replication(session, people[1], replication())
    with record.write() as session:
        states = [
            submission.withdraw(session, people[1], kept.replication.id, reason).document["state"]
            for kept in (silent, answered, whole)
        ]
    assert states == ["withdrawn", "registered", "submitted"]
    with record.read() as session:
        assert len(rows(session, asked)) > 0


def test_only_a_steward_retracts(record, people, asked):
    reason = Withdrawal(category="duplicate", reason="sent twice")
    with record.write() as session:
        kept = submission.post_replication(session, people[1], replication())
    with pytest.raises(Refused) as caught, record.write() as session:
        submission.retract(session, people[1], kept.replication.id, reason)
    assert caught.value.kind == "forbidden"
    with record.write() as session:
        assert submission.retract(session, people[2], kept.replication.id, reason).state == "retracted"


def test_a_copy_is_flagged_whatever_its_free_text_says(record, people, asked):
    changed = json.loads(json.dumps(documents.replication(notes="entirely my own", kitchen="another shed")))
    changed["batches"][0]["notes"] = "mine"
    with record.write() as session:
        first = submission.post_replication(session, people[1], replication())
        copy = submission.post_replication(session, people[0], ReplicationDocument.model_validate(changed))
        other = submission.post_replication(session, people[0], replication(conditions={"still": "column"}))
    names = [{flag.name for flag in kept.report.deviations} for kept in (first, copy, other)]
    assert ["copy_of_another_document" in each for each in names] == [False, True, False]
    with record.read() as session:
        assert submission.report_of(session, copy.replication) == copy.report


def test_a_closed_door_is_the_records_conflict(record, people, asked):
    with record.write() as session:
        questions.get(session, asked.id).status = "closed"
    with pytest.raises(Conflict), record.write() as session:
        submission.post_replication(session, people[1], replication())
