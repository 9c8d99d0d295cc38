from datetime import UTC, datetime

import pytest

from service.intake.registration import before_tasting
from tests.intake import documents
from tests.intake.weighing import weigh

MARCH = datetime(2026, 3, 1, tzinfo=UTC)
P = {"assessor": "p1", "presented": 12, "correct": 8}
Q = {"assessor": "p2", "presented": 12, "correct": 5}


def sealed(registered_at=MARCH, **changes):
    """Weigh a replication that has nothing but one sealed trial."""
    return weigh(registered_at=registered_at, trials=[], sealed=[documents.sealed_trial(**changes)])


def test_a_sealed_trial_as_planned_has_no_flag():
    assert sealed().flags == {}


def test_it_is_reduced_to_a_sealed_and_registered_row_and_not_to_a_typed_trial():
    weighed = sealed()
    row = weighed.row()
    assert (row.sealed, row.registered, row.outside_the_test) == (True, True, None)
    assert (row.presented, row.correct, row.assessors, row.method) == (12, 8, 1, "triangle")
    assert row.details == {"sealed_trial": str(documents.sealed_trial().id), "planned": 12}
    assert weighed.reduced.trials == ()


def test_a_typed_trial_beside_it_stays_declared():
    rows = weigh(registered_at=MARCH, sealed=[documents.sealed_trial()]).reduced.observations
    assert [row.sealed for row in rows if row.outcome == "perceivable_difference"] == [False, True]


def test_what_is_asked_beside_the_sets_is_sealed_too():
    counts = {"term": "grainy", "both": 2, "only_control": 1, "only_treatment": 6, "neither": 3}
    rows = sealed(preferred={"control": 4, "treatment": 7, "neither": 1}, descriptors=[counts]).rows
    for outcome in ("preference", "descriptors"):
        assert rows[outcome, "treatment"].sealed
        assert rows[outcome, "treatment"].presented == 12


def test_blocks_across_tasters_are_fresh_draws_for_each_however_many_answered():
    weighed = sealed(order_draw="blocks", planned=24, assessors=[P], ended_by="owner")
    assert weighed.row().outside_the_test is None
    assert "order_in_blocks" not in weighed.flags


@pytest.mark.parametrize(
    ("ended_by", "words"),
    [
        ("helper", "was closed by its helper"),
        ("owner", "was closed by its owner"),
        ("steward", "was closed by a steward"),
        ("age", "was left, and closed by its age,"),
    ],
)
def test_an_early_end_is_visible_with_who_ended_it(ended_by, words):
    flag = sealed(planned=12, assessors=[{**P, "presented": 5, "correct": 4}], ended_by=ended_by).flags["stopped_early"]
    assert flag.detail == f"Sealed trial 1 {words} at 5 of 12 planned sets."
    assert flag.numbers == {"planned": 12, "presented": 5}


def test_who_looked_at_the_pour_sheet_is_said_with_its_numbers():
    assert sealed(pour_sheet_openings=1).flags["pour_sheet_opened"].numbers == {"times": 1}
    assert "3 times" in sealed(pour_sheet_openings=3).flags["pour_sheet_opened"].detail


def test_answers_before_anybody_can_have_poured_by_the_sheet_are_a_confound():
    flag = sealed(answered_before_pouring=2).flags["answered_before_pouring"]
    assert flag.numbers == {"answers": 2}
    assert flag.kind.group == "confound"


def test_several_tasters_count_as_one_household():
    flag = sealed(planned=24, assessors=[P, Q]).flags["several_tasters"]
    assert flag.numbers == {"tasters": 2}


def test_a_trial_that_nobody_answered_is_named_and_gives_no_row():
    weighed = sealed(assessors=[], ended_by="owner", tasted_on=None)
    assert list(weighed.flags) == ["trial_unanswered"]
    assert ("perceivable_difference", "treatment") not in weighed.rows


def test_a_sham_trial_measures_luck():
    sham = [row for row in sealed(treatment="control").reduced.observations if row.sham]
    assert [(row.control, row.treatment, row.sealed) for row in sham] == [("control", "control", True)]


def test_the_ledger_has_its_registration_before_it_whatever_the_clocks_say():
    trial = documents.sealed_trial(tasted_on="2026-01-01T00:00:00Z")
    assert before_tasting(trial, MARCH)
    assert not before_tasting(trial, None)


def test_the_report_says_that_the_key_was_sealed_and_that_the_number_was_fixed():
    shown = sealed().report.trials[0]
    assert shown.sealed
    assert shown.reading.startswith("The service drew the orders, and held the key until the last answer.")
    # Fixed beforehand, so nothing is said of what the count is worth if somebody stopped because it went well.
    assert "If you stopped" not in shown.reading
    early = sealed(planned=20, ended_by="owner").report.trials[0]
    assert "If you stopped" in early.reading
