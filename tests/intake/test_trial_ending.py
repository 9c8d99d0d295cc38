from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from pydantic import ValidationError

from service.intake import submission
from service.intake.documents import ReplicationDocument, Revision, Withdrawal
from service.intake.refusals import Refused
from service.intake.trial_ending import end_if_due
from service.intake.trial_results import sealed_trials_shown, trial_shown
from service.record import contributors, ledger, replication_reads, trials
from service.record.canonical import canonical_bytes, fingerprint
from service.record.database import Database
from service.record.errors import Conflict, NoSealingKey, StaleRevision
from service.science.serving import is_right, serving_plan
from tests.intake import documents
from tests.intake.sealed import NOON, Clock, Table
from tests.record import plain_reads

MISHAP = Withdrawal(category="mixed_up", reason="the jugs were swapped")


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def table(sqlite_url, clock):
    """On SQLite alone, for what doesn't hang on the database."""
    database = Database(sqlite_url, clock=clock)
    yield Table(database)
    database.dispose()


@pytest.fixture
def either_table(open_database, clock):
    return Table(open_database(clock=clock))


def shown(trial):
    with trial.table.database.read() as session:
        return trial_shown(session, trials.get(session, trial.id))


def rows(table):
    with table.database.read() as session:
        return plain_reads.at_position(session, table.question.id, ledger.head(session).size)


def finish(trial, **beside):
    for taster in trial.links:
        while trial.turn(taster).presentation:
            trial.guess(taster, **beside)


def test_while_it_is_open_there_is_progress_and_no_more(table):
    trial = table.open(["p1", "p2"])
    trial.guess("p2")
    seen = shown(trial)
    assert (seen.state, seen.closed_by, seen.planned, seen.answered) == ("open", None, 6, 1)
    assert [(each.assessor, each.answered) for each in seen.tasters] == [("p1", 0), ("p2", 1)]
    for name in ("replication", "salt", "key", "answers", "result", "verify"):
        assert getattr(seen, name) is None, name
    assert (seen.ledger.opened_salt, seen.ledger.opened_content) == (None, None)


@pytest.mark.parametrize("method", ["triangle", "duo_trio", "two_afc", "three_afc", "tetrad"])
def test_the_last_answer_opens_the_key_and_every_answer_is_scored_by_it(table, method):
    trial = table.open(["p1", "p2"], method=method, presentations=5)
    finish(trial)
    seen = shown(trial)
    assert (seen.state, seen.answered) == ("finished", 10)
    # Drawn again from the seed alone, as anybody can.
    arms = ("control", "treatment")
    plan = serving_plan(method, 5, arms, bytes.fromhex(seen.key["seed"]), tasters=2)
    sets = {(f"p{sheet.taster}", each.number): each for sheet in plan.tasters for each in sheet.presentations}
    for answer in seen.answers:
        assert answer.right is is_right(sets[answer.taster, answer.presentation], answer.chosen_codes)
    right = sum(answer.right for answer in seen.answers)
    assert (seen.result.presented, seen.result.correct, seen.result.planned) == (10, right, 10)
    assert sum(count.correct for count in seen.result.assessors) == right


def test_the_commitment_in_the_ledger_is_to_this_key(either_table):
    trial = either_table.open()
    finish(trial)
    seen = shown(trial)
    with either_table.database.read() as session:
        entry = ledger.entry(session, seen.ledger.opened)
    salted = ledger.content_hash(bytes.fromhex(seen.ledger.opened_salt), canonical_bytes(seen.ledger.opened_content))
    assert entry.content_hash == salted
    assert seen.ledger.opened_content["key_commitment"] == seen.key_commitment
    assert ledger.content_hash(bytes.fromhex(seen.salt), canonical_bytes(seen.key)) == seen.key_commitment
    assert (
        ledger.content_hash(bytes.fromhex(seen.salt), canonical_bytes({**seen.key, "seed": ""})) != seen.key_commitment
    )


def test_an_early_end_counts_what_was_answered(either_table):
    trial = either_table.open(["p1", "p2"])
    trial.guess("p1")
    trial.guess("p1")
    trial.close("helper")
    seen = shown(trial)
    assert (seen.state, seen.closed_by, seen.result.presented, seen.result.planned) == ("closed", "helper", 2, 6)
    assert [count.assessor for count in seen.result.assessors] == ["p1"]
    # Closing again changes nothing.
    trial.close("owner")
    assert shown(trial).closed_by == "helper"


def test_a_trial_that_nobody_answered_says_so(table):
    trial = table.open()
    trial.close()
    seen = shown(trial)
    assert (seen.answers, seen.result.p_value, seen.result.reading) == ([], None, "Nobody answered.")


def test_liking_and_words_are_counted_by_arm(table):
    trial = table.open(presentations=4, preference=True, descriptors=["fruity", "hot"])
    arms = {
        each["presentation"]: {glass["code"]: glass["arm"] for glass in each["glasses"]}
        for each in trial.key()[1]["presentations"]
    }

    def of(presentation, arm):
        return next(code for code, each in arms[presentation].items() if each == arm)

    trial.guess(preferred_code=of(1, "control"), descriptors={of(1, "control"): ["fruity"]})
    trial.guess(preferred_code=of(2, "treatment"), descriptors={code: ["fruity", "hot"] for code in arms[2]})
    trial.guess(preferred_code=None, descriptors={})
    trial.guess()
    result = shown(trial).result
    assert result.preferred.model_dump() == {"control": 1, "treatment": 1, "neither": 1}
    counts = {each.term: each.model_dump(exclude={"term"}) for each in result.descriptors}
    assert counts["fruity"] == {"both": 1, "only_control": 1, "only_treatment": 0, "neither": 1}
    assert counts["hot"] == {"both": 1, "only_control": 0, "only_treatment": 0, "neither": 2}


def test_the_pour_sheet_holds_the_key_and_counts_who_looks(table):
    trial = table.open(["p1", "p2"], method="duo_trio", presentations=2, treatment="control")
    sheet = trial.sheet()
    key = {(each["taster"], each["presentation"]): each["glasses"] for each in trial.key()[1]["presentations"]}
    poured = {
        (each.taster, each.presentation): [glass.model_dump() for glass in each.glasses] for each in sheet.presentations
    }
    assert poured == key
    assert [each.presentation for each in sheet.presentations] == [1, 1, 2, 2]
    assert (sheet.state, sheet.sham, sheet.pour_ml) == ("open", True, 15)
    assert sheet.alcohol.poured_g_per_day > 0
    assert "reference" in sheet.instructions[-1]
    trial.sheet()
    trial.close()
    trial.sheet()
    with table.database.read() as session:
        assert trials.get(session, trial.id).pour_sheet_openings == 2


def test_answers_before_the_pour_sheet_was_opened_are_told(table):
    trial = table.open()
    trial.guess()
    trial.sheet()
    trial.guess()
    trial.guess()
    kept = table.submit()
    flags = {each.name: each for each in kept.report.confounds}
    assert flags["answered_before_pouring"].numbers == {"answers": 1}


def test_one_left_open_for_thirty_days_ends_at_the_first_touch(either_table, clock):
    trial = either_table.open(["p1", "p2"])
    trial.guess("p1")
    due = trial.opened.trial.due_at
    clock.shows = due + timedelta(days=3)
    code = trial.turn("p1").codes[0]
    with pytest.raises(Refused) as caught:
        trial.answer(2, [code])
    assert caught.value.kind == "trial_ended"
    with either_table.database.write() as session:
        end_if_due(session, trial.id)
    seen = shown(trial)
    assert (seen.state, seen.closed_by, seen.closed_at) == ("closed", "age", due)
    assert (seen.result.presented, seen.result.planned) == (1, 6)
    with either_table.database.read() as session:
        assert ledger.entry(session, seen.ledger.closed).at > due + timedelta(days=3)


@pytest.mark.parametrize("touch", ["sheet", "close", "submit"])
def test_every_touch_ends_an_overdue_trial_by_its_age(table, clock, touch):
    trial = table.open()
    trial.guess()
    clock.shows = trial.opened.trial.due_at
    if touch == "submit":
        table.submit()
    else:
        getattr(trial, touch)()
    assert shown(trial).closed_by == "age"


def test_a_replication_is_not_submitted_while_one_of_its_trials_is_open(either_table):
    finished, left = either_table.open(), either_table.open()
    finish(finished)
    with pytest.raises(Refused) as caught:
        either_table.submit()
    assert caught.value.kind == "trial_open"
    assert "Sealed trial 2" in caught.value.detail
    left.close()
    assert either_table.submit().replication.state == "submitted"


def test_all_opened_trials_belong_to_the_submission_as_sealed_and_registered(either_table):
    whole, early, unanswered, sham = (
        either_table.open(),
        either_table.open(),
        either_table.open(),
        either_table.open(treatment="control"),
    )
    finish(whole)
    early.guess()
    early.close()
    unanswered.close()
    finish(sham)
    kept = either_table.submit()
    assert [(each.number, each.state, each.presented) for each in kept.sealed_trials] == [
        (1, "finished", 3),
        (2, "closed", 1),
        (3, "closed", 0),
        (4, "finished", 3),
    ]
    tasted = [row for row in rows(either_table) if row.outcome == "perceivable_difference"]
    assert [(row.presented, row.sham, row.sealed, row.registered) for row in tasted] == [
        (3, False, True, True),
        (1, False, True, True),
        (3, True, True, True),
    ]
    assert {row.outside_the_test for row in tasted} == {None}
    names = [set(row.flags) for row in tasted]
    assert ["stopped_early" in flags for flags in names] == [False, True, False]
    assert "trial_unanswered" in {each.name for each in kept.report.deviations}
    assert kept.document.get("trials") is None
    with either_table.database.read() as session:
        replication = replication_reads.get(session, either_table.replication_id)
        assert replication_reads.trials(session, replication) == []


def test_an_amendment_keeps_what_was_sealed(table):
    finish(table.open())
    table.submit()
    amended = {"question": table.question.slug, "protocol_version": 1, "assignment": "coin", "reason": "it was a coin"}
    with table.database.write() as session:
        kept = submission.put_replication(
            session, table.owner, table.replication_id, Revision.model_validate(amended), expected_revision=2
        )
    assert [each.presented for each in kept.sealed_trials] == [3]
    assert [(row.presented, row.sealed) for row in rows(table) if row.outcome == "perceivable_difference"] == [
        (3, True)
    ]


def test_two_tasters_of_whom_one_answered_stay_inside_the_test(table):
    trial = table.open(["p1", "p2"])
    trial.guess("p1")
    trial.close()
    table.submit()
    row = next(row for row in rows(table) if row.outcome == "perceivable_difference")
    assert (row.assessors, row.outside_the_test) == (1, None)


def test_the_report_reads_the_same_from_the_record(table):
    finish(table.open(["p1", "p2"]))
    kept = table.submit()
    with table.database.read() as session:
        replication = replication_reads.get(session, table.replication_id)
        back = submission.read_back(session, replication)
    assert back.report == kept.report
    assert back.sealed_trials == kept.sealed_trials
    assert back.document == kept.document


def test_while_one_is_open_its_replication_shows_no_counts(table):
    trial = table.open()
    trial.guess()
    with table.database.read() as session:
        open_one = sealed_trials_shown(session, table.replication_id)[0]
    assert (open_one.state, open_one.presented, open_one.planned) == ("open", 1, 3)
    assert (open_one.assessors, open_one.preferred, open_one.tasted_on) == (None, None, None)


def test_before_any_answer_a_withdrawal_is_out_and_ends_what_is_open(either_table):
    trial = either_table.open()
    with either_table.database.write() as session:
        kept = submission.withdraw(session, either_table.owner, either_table.replication_id, MISHAP)
    assert kept.replication.state == "withdrawn"
    assert shown(trial).closed_by == "owner"


def test_after_the_first_answer_it_is_only_an_ask_and_the_trial_goes_on(either_table):
    trial = either_table.open()
    trial.guess()
    with either_table.database.write() as session:
        kept = submission.withdraw(session, either_table.owner, either_table.replication_id, MISHAP)
    assert kept.replication.state == "registered"
    assert kept.replication.withdrawal_asked_position is not None
    trial.guess()
    trial.guess()
    either_table.submit()
    assert [row.presented for row in rows(either_table) if row.outcome == "perceivable_difference"] == [3]


def at_once(*acts):
    """Do acts at the same time; what each gave, or how it was refused."""

    def do(act):
        try:
            return act()
        except (Refused, Conflict) as refused:
            return getattr(refused, "kind", "conflict")

    with ThreadPoolExecutor(len(acts)) as pool:
        return list(pool.map(do, acts))


def test_a_withdrawal_and_a_first_answer_at_once_agree_on_which_came_first(either_table):
    def withdraw():
        with either_table.database.write() as session:
            return submission.withdraw(session, either_table.owner, either_table.replication_id, MISHAP)

    for _ in range(4):
        either_table.replication_id = either_table.registered()
        trial = either_table.open()
        codes = trial.turn().codes
        answered, kept = at_once(lambda t=trial, c=codes: t.answer(1, c[:1]), withdraw)
        asked = kept.replication.withdrawal_asked_position is not None
        assert (kept.replication.state, answered == "trial_ended") == (
            ("registered", False) if asked else ("withdrawn", True)
        )


def test_an_opening_and_a_submission_at_once_never_leave_an_open_trial_behind(either_table):
    for _ in range(4):
        either_table.replication_id = either_table.registered()
        opened, submitted = at_once(either_table.open, either_table.submit)
        assert (opened == "conflict") is (submitted != "trial_open")


def test_a_stewards_retraction_ends_what_is_open(either_table):
    trial = either_table.open()
    with either_table.database.write() as session:
        steward = contributors.create(session, display_name="Steward", token_hash="5" * 64, steward=True)
        submission.retract(session, steward, either_table.replication_id, MISHAP)
    assert shown(trial).closed_by == "steward"


def test_the_plan_and_the_first_answer_are_ordered_by_the_ledger(table, clock):
    clock.shows = NOON - timedelta(days=400)
    finish(table.open())
    kept = table.submit()
    assert [row.registered for row in rows(table) if row.outcome == "perceivable_difference"] == [True]
    assert "registered_after_tasting" not in {each.name for each in kept.report.confounds}


def test_a_lost_sealing_key_is_said_and_ends_nothing(table):
    trial = table.open()
    table.database.seal_under("another secret than before")
    for act in (trial.turn, trial.sheet, trial.close):
        with pytest.raises(NoSealingKey, match="another key"):
            act()
    assert shown(trial).state == "open"
    table.database.seal_under("0123456789abcdef" * 4)
    finish(trial)
    # Once ended, it is read without any.
    table.database.seal_under("another secret than before")
    assert shown(trial).result.presented == 3
    assert trial.sheet().state == "finished"


def test_sealed_results_are_not_part_of_what_makes_a_copy(table):
    finish(table.open())
    kept = table.submit()
    assert kept.replication.fingerprint == fingerprint(
        {"question": table.question.slug, "protocol_version": 1, "assignment": "drawn"}
    )


def test_a_stale_submission_leaves_everything_as_it_was(table):
    finish(table.open())
    with pytest.raises(StaleRevision), table.database.write() as session:
        submission.submit_registered(session, table.owner, table.replication_id, expected_revision=7)
    assert rows(table) == []


def test_what_was_sealed_cannot_be_typed():
    with pytest.raises(ValidationError) as caught:
        ReplicationDocument.model_validate(documents.replication(sealed_trials=[]))
    assert caught.value.errors()[0]["loc"] == ("sealed_trials",)
