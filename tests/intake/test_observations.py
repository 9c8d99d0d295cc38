import math
from datetime import UTC, date, datetime

import pytest

from service.intake.batch_documents import BatchDocument
from service.intake.outcomes import OUTCOMES
from service.record.canonical import canonical_bytes
from service.science.gravity import attenuation
from tests.intake import documents
from tests.intake.weighing import weigh

P = {"assessor": "p1", "presented": 12, "correct": 8}
NO_DAYS = {"days_to_finish": None}
TWO = [P, {"assessor": "p2", "presented": 10, "correct": 3}]


def pair(control, treatment):
    return [documents.batch("control", **control), documents.batch("treatment", **treatment)]


def test_one_trial_is_one_row_whatever_the_number_of_tasters():
    weighed = weigh(trials=[documents.trial(assessors=TWO, planned=24)])
    row = weighed.row()
    assert (row.method, row.presented, row.correct, row.assessors, row.sham) == ("triangle", 22, 11, 2, False)
    assert row.moderators == {"still": "pot", "plates": 0}
    [trial] = weighed.reduced.trials
    assert (trial.presented, trial.correct, trial.assessors, trial.planned) == (22, 11, 2, 24)
    assert trial.tasted_on == date(2026, 6, 1)


def test_a_moment_of_tasting_is_kept_as_its_day_in_utc():
    weighed = weigh(trials=[documents.trial(tasted_on="2026-06-01T01:00:00+03:00")])
    assert weighed.reduced.trials[0].tasted_on == date(2026, 5, 31)


def test_a_sham_trial_is_marked_and_gives_no_preference():
    sham = documents.trial(treatment="control", preferred={"control": 3, "treatment": 4})
    rows = weigh(trials=[documents.trial(), sham]).reduced.observations
    assert [row.sham for row in rows if row.outcome == "perceivable_difference"] == [False, True]
    assert not any(row.outcome == "preference" for row in rows)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, None),
        ({"order_draw": None}, None),
        ({"order_draw": "blocks"}, "order_in_blocks"),
        ({"order_draw": "unknown"}, "order_unknown"),
        ({"order_draw": "blocks", "assessors": TWO}, None),
        ({"order_draw": "unknown", "assessors": TWO}, None),
        ({"told_during": True, "assessors": TWO}, "told_during"),
        ({"key_held_by": "taster", "assessors": TWO}, "taster_held_key"),
        ({"key_held_by": "nobody"}, None),
    ],
)
def test_what_stands_outside_the_test(changes, reason):
    assert weigh(trials=[documents.trial(**changes)]).row().outside_the_test == reason


def test_preference_and_descriptors_are_kept_as_counted():
    trial = documents.trial(
        order_draw="blocks",
        preferred={"control": 4, "treatment": 7, "neither": 1},
        descriptors=[{"term": "grainy", "both": 2, "only_control": 5, "only_treatment": 1, "neither": 4}],
    )
    weighed = weigh(trials=[trial])
    preference, descriptors = weighed.row("preference"), weighed.row("descriptors")
    assert preference.presented == 12
    assert preference.details == {"trial": 1, "control": 4, "treatment": 7, "neither": 1}
    assert preference.outside_the_test is None
    assert descriptors.details["terms"] == trial["descriptors"]
    assert descriptors.presented == 12


def test_nothing_answered_is_no_row():
    weighed = weigh(trials=[documents.trial(assessors=[], preferred={}, descriptors=[{"term": "grainy"}])])
    assert not {row.outcome for row in weighed.reduced.observations} & {
        "perceivable_difference",
        "preference",
        "descriptors",
    }
    assert weighed.reduced.trials == ()


def test_a_difference_is_treatment_less_control_with_both_readings_variance():
    row = weigh(batches=pair({"final_sg": 0.998}, {"final_sg": 1.006, "reading_uncertainty_sg": 0.002})).row("final_sg")
    assert row.difference == pytest.approx(0.008)
    assert row.variance == pytest.approx(0.001**2 + 0.002**2)
    assert row.details["control_value"] == 0.998
    assert row.details["unit"] == "SG"


def test_vessels_of_one_arm_are_averaged():
    batches = [
        documents.batch("control", batch="a", final_sg=0.998),
        documents.batch("control", batch="b", final_sg=1.000),
        documents.batch("treatment", batch="c", final_sg=1.004),
    ]
    row = weigh(batches=batches).row("final_sg")
    assert row.difference == pytest.approx(0.005)
    assert row.variance == pytest.approx(1e-6 * (0.5 + 1.0))
    assert (row.details["control_batches"], row.details["treatment_batches"]) == (2, 1)


def test_days_are_compared_as_a_ratio():
    row = weigh(batches=pair({"days_to_finish": 8}, {"days_to_finish": 12})).row("days_to_finish")
    assert row.difference == pytest.approx(math.log(1.5))
    assert row.variance == pytest.approx((1 / 8**2 + 1 / 12**2) / 12)
    assert row.details["treatment_value"] == pytest.approx(12)


@pytest.mark.parametrize(
    ("control", "treatment", "first"),
    [
        ({"days_to_finish": 8}, {"still_going_at_days": 12}, "control"),
        ({"days_to_finish": 8}, {"still_going_at_days": 8}, "control"),
        ({"still_going_at_days": 30}, {"days_to_finish": 21}, "treatment"),
        # Last seen going before the other was done: which was quicker isn't known.
        ({"days_to_finish": 8}, {"still_going_at_days": 5}, None),
        ({"still_going_at_days": 20}, {"still_going_at_days": 20}, None),
    ],
)
def test_an_arm_that_had_not_finished_leaves_only_who_was_first(control, treatment, first):
    row = weigh(batches=pair(NO_DAYS | control, NO_DAYS | treatment)).row("days_to_finish")
    assert (row.difference, row.variance, row.details["finished_first"]) == (None, None, first)
    assert row.details["control_value"] == control.get("days_to_finish")
    assert row.details["treatment_still_going_at"] == treatment.get("still_going_at_days")


def test_an_arm_has_finished_when_its_last_vessel_has():
    batches = [
        documents.batch("control", batch="one", days_to_finish=6),
        documents.batch("control", batch="two", days_to_finish=11),
        documents.batch("treatment", batch="three", days_to_finish=7),
        documents.batch("treatment", batch="four", **NO_DAYS | {"still_going_at_days": 10}),
    ]
    row = weigh(batches=batches).row("days_to_finish")
    assert (row.details["finished_first"], row.details["control_batches"]) == (None, 2)
    batches[3]["still_going_at_days"] = 11
    assert weigh(batches=batches).row("days_to_finish").details["finished_first"] == "control"


def test_a_pair_of_which_one_arm_tells_nothing_has_no_days():
    rows = weigh(batches=pair(NO_DAYS | {"still_going_at_days": 9}, NO_DAYS)).reduced.observations
    assert not [row for row in rows if row.outcome == "days_to_finish"]


def test_dryness_is_a_pair_of_events():
    row = weigh(batches=pair({}, {"reached_dryness": False})).row("reached_dryness")
    assert (row.control_event, row.treatment_event) == (True, False)
    assert row.difference is None
    assert row.variance is None


def test_an_arm_is_dry_where_every_vessel_is():
    batches = [*pair({}, {}), documents.batch("treatment", batch="other", reached_dryness=False)]
    assert weigh(batches=batches).row("reached_dryness").treatment_event is False


def test_own_measurements_count_where_the_protocol_asks_for_them():
    batches = pair({"measured": {"haze_ntu": 40}}, {"measured": {"haze_ntu": 15}})
    outcomes = [{"outcome": "haze_ntu", "primary": True}]
    row = weigh(documents.protocol(outcomes=outcomes), batches=batches).row("haze_ntu")
    assert (row.difference, row.variance) == (-25, None)
    assert ("haze_ntu", "treatment") not in weigh(batches=batches).rows


def test_no_number_measured_on_a_batch_passes_for_what_tasters_answer():
    measured = {"measured": {"perceivable_difference": 3.0, "ph_end": 3.4}}
    rows = weigh(batches=pair(measured, measured)).reduced.observations
    assert [row.method for row in rows if row.outcome == "perceivable_difference"] == ["triangle"]


def test_every_other_arm_is_compared_with_the_control():
    batches = [documents.batch(arm) for arm in ("control", "treatment", "fined")]
    rows = weigh(batches=batches).rows
    assert ("final_sg", "treatment") in rows
    assert ("final_sg", "fined") in rows


def test_a_registration_has_trials_and_no_observations():
    weighed = weigh(state="registered")
    assert weighed.reduced.observations == ()
    assert len(weighed.reduced.trials) == 1


def test_every_row_can_be_written_down():
    trial = documents.trial(preferred={"control": 1}, descriptors=[{"term": "x", "both": 1}])
    for row in weigh(trials=[trial], registered_at=datetime(2026, 1, 1, tzinfo=UTC)).reduced.observations:
        assert canonical_bytes(row.details)
        assert canonical_bytes(row.moderators)


def read(name, **changes):
    return OUTCOMES[name].read(BatchDocument.model_validate(documents.batch(**changes)))


def test_alcohol_and_attenuation_are_those_of_the_calculator():
    expected = attenuation(1.080, 0.998)
    assert read("abv_percent").value == expected.abv_percent
    assert read("apparent_attenuation_percent").value == expected.apparent_attenuation_percent


def test_reading_variance_follows_the_fall_in_gravity():
    """Alcohol is near enough 131.25 times the fall, so two readings of 0.001 are worth about 0.19 % vol."""
    assert math.sqrt(read("abv_percent").variance) == pytest.approx(131.25 * math.sqrt(2) * 0.001, rel=0.1)
    coarse = read("abv_percent", reading_uncertainty_sg=0.002)
    assert coarse.variance == pytest.approx(4 * read("abv_percent").variance, rel=0.05)


@pytest.mark.parametrize(
    ("additions", "told"),
    [
        ([{"what": "yeast food", "mass_g": 8}], True),
        ([{"what": "honey", "mass_g": 900}], False),
        ([{"what": "honey"}], False),
        ([{"what": "juice", "volume_l": 1, "mass_g": 0}], False),
    ],
)
def test_gravities_tell_alcohol_where_little_was_added(additions, told):
    assert (read("abv_percent", additions=additions) is not None) is told


def test_gravities_that_no_ferment_gives_are_not_told():
    assert read("abv_percent", original_sg=1.010, final_sg=0.960) is None
    assert read("abv_percent", original_sg=0.999, final_sg=0.998) is None
    assert read("final_sg", original_sg=1.010, final_sg=0.960).value == 0.960


def test_alcohol_won_is_reckoned_on_the_charge_before_fermentation():
    """18 L at 1.080 hold 18 x 208.5 g of extract (ICUMSA: 19.34 degrees Plato); 0.15 + 1.04 L of alcohol came over."""
    assert math.exp(read("pure_alcohol_l_per_kg").value) == pytest.approx(1.19 / (18 * 0.2085), rel=2e-3)
    assert read("pure_alcohol_l_per_kg", spirit={"charge_l": 18}) is None
    assert read("pure_alcohol_l_per_kg", spirit=None) is None


def test_an_empty_batch_tells_nothing():
    empty = BatchDocument.model_validate({"arm": "control", "batch": "a"})
    assert all(outcome.read(empty) is None for outcome in OUTCOMES.values())
