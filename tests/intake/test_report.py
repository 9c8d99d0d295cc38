import json
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.intake.strict import plain
from service.record.canonical import canonical_bytes
from tests.intake import documents
from tests.intake.weighing import weigh

MARCH = datetime(2026, 3, 1, tzinfo=UTC)


def counts(correct, presented=12):
    return [documents.trial(assessors=[{"assessor": "p1", "presented": presented, "correct": correct}])]


def test_the_summary_says_for_whom_and_what_before_it_says_why():
    summary = weigh(registered_at=MARCH).report.summary
    assert summary[0] == "These two batches. One taster. Not a claim about people."
    assert summary[1].startswith("You found the odd glass 8 times in 12.")
    assert len(summary) == 2


def test_a_number_fixed_by_registration_is_not_said_to_be_a_proviso():
    assert "provided you fixed" in weigh().report.trials[0].reading
    assert "provided you fixed" not in weigh(registered_at=MARCH).report.trials[0].reading


def test_a_perfect_score_has_no_upper_limit_and_json_has_null_for_it():
    report = weigh(trials=counts(12)).report
    assert report.trials[0].d_prime.high is None
    assert report.trials[0].d_prime.low > 0
    assert json.loads(report.model_dump_json())["trials"][0]["d_prime"]["high"] is None
    assert "giveaway" in report.trials[0].reading


def test_gravities_apart_are_read_as_a_question_about_the_ferment():
    """0.998 against 1.006 is 0.008 apart: 0.008 / (0.001 * sqrt 2) = 5.66 times what two readings explain."""
    batches = [documents.batch("control"), documents.batch("treatment", final_sg=1.006)]
    report = weigh(batches=batches).report
    final = next(each for each in report.measured if each.outcome == "final_sg")
    assert final.difference == pytest.approx(0.008)
    assert final.explained_by_reading == pytest.approx(0.002828, abs=1e-6)
    assert "Apart by 0.008, 5.7 times what reading usually explains" in final.reading
    assert "Is 1.006 finished? Take degassed readings 48 h apart" in final.reading
    assert "One pair can't say whether the treatment or the bucket did it." in final.reading
    assert "ferments_apart" in {each.name for each in report.confounds}


def test_a_difference_within_reading_is_neither_shown_nor_ruled_out():
    batches = [documents.batch("control"), documents.batch("treatment", final_sg=1.000)]
    final = next(each for each in weigh(batches=batches).report.measured if each.outcome == "final_sg")
    assert "no difference shown, none ruled out" in final.reading


def test_a_ratio_is_given_for_what_is_compared_as_one():
    batches = [documents.batch("control", days_to_finish=8), documents.batch("treatment", days_to_finish=12)]
    days = next(each for each in weigh(batches=batches).report.measured if each.outcome == "days_to_finish")
    assert days.ratio == pytest.approx(1.5)
    assert days.difference == pytest.approx(4)
    assert "8 against 12 days" in days.reading


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (12, "the control took 8 days, the treatment was still going at 12."),
        (5, "which arm is quicker isn't known yet"),
    ],
)
def test_a_vessel_that_had_not_finished_is_said_to_be_going(seen, said):
    going = documents.batch("treatment", days_to_finish=None, still_going_at_days=seen)
    report = weigh(batches=[documents.batch("control", days_to_finish=8), going]).report
    days = next(each for each in report.measured if each.outcome == "days_to_finish")
    assert (days.control_value, days.treatment_value, days.ratio, days.difference) == (8, None, None, None)
    assert said in days.reading


def test_an_unstated_reading_is_said_to_be_unstated():
    batches = [documents.batch(arm, measured={"haze_ntu": n}) for arm, n in (("control", 40), ("treatment", 15))]
    report = weigh(documents.protocol(outcomes=[{"outcome": "haze_ntu"}]), batches=batches).report
    own = next(each for each in report.measured if each.outcome == "haze_ntu")
    assert own.explained_by_reading is None
    assert "isn't stated" in own.reading
    assert own.reading in report.summary


def test_a_sham_trial_is_read_as_batch_luck():
    report = weigh(trials=[documents.trial(treatment="control")]).report
    assert report.trials[0].reading.startswith("Both vessels were of one arm")
    assert report.summary[1:] == [] or not report.summary[1].startswith("You found")


def test_a_registration_reports_its_plan():
    report = weigh(state="registered", trials=[], batches=[]).report
    assert "12 sets of triangle" in report.summary[0]
    assert report.trials == report.measured == report.deviations == report.confounds == []


def test_confounds_and_deviations_are_told_apart():
    report = weigh(assignment="chosen", trials=[documents.trial(method="tetrad", order_draw=None)]).report
    assert {"vessels_not_drawn"} == {each.name for each in report.confounds}
    assert {"method_unlike_plan", "order_not_recorded", "not_registered"} == {each.name for each in report.deviations}


def test_what_the_protocol_asks_for_and_did_not_get_is_named():
    assert "outcome_not_reported" in {each.name for each in weigh(trials=[]).report.deviations}


def test_cautions_stand_where_the_step_is():
    cautions = " ".join(weigh().report.cautions)
    assert "unlawful in many places" in cautions
    assert "Tasting is drinking" in cautions
    batches = [documents.batch(arm, spirit=None, package={"co2_g_per_l": 5}) for arm in ("control", "treatment")]
    brewed = " ".join(weigh(batches=batches).report.cautions)
    assert "unlawful" not in brewed
    assert "burst" in brewed


def _thinned(node, draw):
    """Drop optional things at any depth, as people do."""
    keep = {"question", "protocol_version", "arm", "batch", "method", "control", "treatment", "presented", "correct"}
    keep |= {"assessor", "name", "volume_l", "abv_percent", "what"}
    if isinstance(node, dict):
        return {key: _thinned(each, draw) for key, each in node.items() if key in keep or draw(st.booleans())}
    if isinstance(node, list):
        return [_thinned(each, draw) for each in node if draw(st.booleans())]
    return node


@st.composite
def sparse(draw):
    full = documents.replication(batches=[documents.batch(arm) for arm in ("control", "treatment", "fined", "control")])
    full["trials"] *= 2
    for batch in full["batches"]:
        batch["original_sg"] = draw(st.floats(0.99, 1.2))
        batch["final_sg"] = draw(st.floats(0.95, 0.99))
        batch["measured"]["ph_start"] = draw(st.floats(-1e9, 1e9))
        batch["spirit"]["fractions"][0]["abv_percent"] = draw(st.floats(0, 100))
    thinned = _thinned(full, draw)
    thinned["state"] = draw(st.sampled_from(["registered", "submitted"]))
    return thinned


@settings(max_examples=60, deadline=None)
@given(document=sparse(), registered=st.booleans())
def test_any_document_that_fits_is_reported_on_in_json(document, registered):
    weighed = weigh(registered_at=MARCH if registered else None, **{"batches": [], "trials": [], **document})
    text = weighed.report.model_dump_json()
    assert "NaN" not in text
    assert "Infinity" not in text
    assert canonical_bytes(plain(weighed.checked.document))
    for row in weighed.reduced.observations:
        assert canonical_bytes(row.details)
