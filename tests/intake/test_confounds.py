import math
from datetime import UTC, datetime

import pytest

from service.intake.flags import FLAGS
from tests.intake import documents
from tests.intake.weighing import weigh

MARCH = datetime(2026, 3, 1, tzinfo=UTC)
MAY = datetime(2026, 5, 15, tzinfo=UTC)
JULY = datetime(2026, 7, 1, tzinfo=UTC)


def spirits(**changes):
    """The treatment's spirit as changed, beside a control's that stays."""
    batch = documents.batch("treatment")
    batch["spirit"].update(changes)
    return {"batches": [documents.batch("control"), batch]}


def treated(**changes):
    return {"batches": [documents.batch("control"), documents.batch("treatment", **changes)]}


def sat(**changes):
    return {"trials": [documents.trial(**changes)]}


def without(*names):
    trial = documents.trial()
    for name in names:
        del trial[name]
    return {"trials": [trial]}


P = {"assessor": "p1", "presented": 12, "correct": 8}

CASES = [
    ("vessels_not_drawn", {"assignment": "chosen"}, None),
    ("assignment_not_recorded", {"assignment": None}, None),
    ("order_in_blocks", sat(order_draw="blocks"), None),
    ("order_unknown", sat(order_draw="unknown"), None),
    ("order_not_recorded", without("order_draw"), None),
    ("told_during", sat(told_during=True), None),
    ("pourer_is_taster", sat(key_held_by="taster"), None),
    ("key_holder_not_recorded", without("key_held_by"), None),
    ("appearance_not_masked", sat(appearance_masked=False), None),
    ("appearance_not_recorded", without("appearance_masked"), None),
    ("stopped_early", sat(planned=13), {"planned": 13, "presented": 12}),
    ("count_unlike_plan", sat(assessors=[{**P, "presented": 13}]), {"planned": 12, "presented": 13}),
    ("method_unlike_plan", sat(method="tetrad"), None),
    ("comparison_unlike_plan", sat(treatment="fined"), None),
    ("plan_unlike_protocol", {"plan": {"method": "duo_trio", "presentations": 12}}, {"fields": 1}),
    ("tasting_time_not_recorded", without("tasted_on"), None),
    ("pitching_time_not_recorded", treated(pitched_at=None), {"missing": 1, "batches": 2}),
    ("observer_knew_the_arms", {"observer_knew_the_arms": True}, None),
    ("readings_not_degassed", treated(degassed=False), {"batches": 1}),
    ("condition_outside_tolerance", treated(pitch_c=26), {"target": 24, "furthest": 2, "tolerance": 1}),
    ("condition_not_recorded", treated(pitch_c=None), {"missing": 1, "batches": 2}),
    ("measurement_missing", treated(final_sg=None), {"missing": 1, "batches": 2}),
    ("arm_without_batch", {"batches": [documents.batch("control")]}, None),
    ("not_cleaned_between", spirits(run_order=2, cleaned_between=False), {"runs": 1}),
    ("cut_by_taste_knowing_arm", spirits(cut_rule="taste", cutter_knew_arm=True), {"runs": 1}),
    ("strengths_not_given", spirits(tasting_abv_percent=None), None),
    ("rest_times_unequal", spirits(rest_h=24), {"control": 48, "treatment": 24}),
    ("confound_suspected", {"suspected_confounds": ["a cold night"]}, {"suspected": 1}),
]


@pytest.mark.parametrize(("name", "changes", "numbers"), CASES, ids=[case[0] for case in CASES])
def test_one_fault_raises_its_own_flag(name, changes, numbers):
    clean = weigh(registered_at=MARCH)
    assert clean.flags == {}
    flags = weigh(registered_at=MARCH, **changes).flags
    assert name in flags
    if numbers is not None:
        assert flags[name].numbers == numbers


def test_nothing_recorded_is_many_gaps_and_no_refusal():
    bare = weigh(
        assignment=None,
        observer_knew_the_arms=None,
        conditions={},
        batches=[{"arm": "control", "batch": "a"}, {"arm": "treatment", "batch": "b"}],
        trials=[{"method": "triangle", "control": "control", "treatment": "treatment", "assessors": [P]}],
    )
    assert {flag.kind.group for flag in bare.flags.values()} == {"gap"}
    assert {"not_registered", "condition_not_recorded", "measurement_missing", "order_not_recorded"} <= set(bare.flags)
    row = bare.row()
    assert row.outside_the_test is None
    assert row.conditions_met is None


@pytest.mark.parametrize(
    ("tasted_on", "late"),
    [
        ("2026-05-15", True),
        ("2026-05-16", False),
        ("2026-05-15T00:00:00Z", True),
        ("2026-05-15T02:00:01+02:00", False),
    ],
)
def test_a_bare_day_counts_from_its_start(tasted_on, late):
    weighed = weigh(registered_at=MAY, **sat(tasted_on=tasted_on))
    assert ("registered_after_tasting" in weighed.flags) is late
    assert weighed.row().registered is not late


def test_registration_is_set_against_pitching_for_what_is_measured():
    weighed = weigh(registered_at=MAY)
    assert weighed.row().registered
    assert not weighed.row("final_sg").registered
    assert "registered_after_pitching" in weighed.row("final_sg").flags
    assert "registered_after_pitching" not in weighed.row().flags
    early = weigh(registered_at=MARCH)
    assert early.row("final_sg").registered
    unsaid = weigh(registered_at=MARCH, **treated(pitched_at=None))
    assert not unsaid.row("final_sg").registered


def test_ferments_are_apart_beyond_twice_what_reading_explains():
    limit = 2 * math.sqrt(2) * 0.001
    assert "ferments_apart" not in weigh(**treated(final_sg=0.998 + limit - 1e-6)).flags
    flag = weigh(**treated(final_sg=0.998 + limit + 1e-6)).flags["ferments_apart"]
    assert flag.numbers["explained_by_reading"] == pytest.approx(limit)
    assert "possible pathway" in flag.detail
    assert "ferments_apart" not in weigh(**treated(final_sg=1.006, reading_uncertainty_sg=0.01)).flags


def test_two_vessels_read_better_than_one():
    batches = [
        documents.batch(arm, batch=str(n), final_sg=sg)
        for n, (arm, sg) in enumerate(
            [("control", 0.998), ("control", 0.998), ("treatment", 1.0005), ("treatment", 1.0005)]
        )
    ]
    assert weigh(batches=batches).flags["ferments_apart"].numbers["explained_by_reading"] == pytest.approx(0.002)


def test_strengths_could_differ_by_what_was_read_and_what_it_may_be_off():
    assert "strengths_not_shown_to_match" not in weigh(**spirits(tasting_abv_percent=20.3)).flags
    flag = weigh(**spirits(tasting_abv_percent=20.5)).flags["strengths_not_shown_to_match"]
    assert flag.numbers == pytest.approx({"difference": 0.5, "could_differ_by": 0.8, "tolerance": 0.3})
    assert "could differ by up to 0.8 % vol" in flag.detail


@pytest.mark.parametrize(("uncertainty", "flagged"), [(0.1, False), (0.2, True)])
def test_stated_instruments_have_to_show_the_match(uncertainty, flagged):
    batches = [documents.batch("control"), documents.batch("treatment")]
    for batch in batches:
        batch["spirit"]["tasting_abv_uncertainty_percent"] = uncertainty
    assert ("strengths_not_shown_to_match" in weigh(batches=batches).flags) is flagged


def test_a_first_run_follows_nothing():
    assert "not_cleaned_between" not in weigh(**spirits(run_order=1, cleaned_between=False)).flags


def test_cuts_are_compared_by_their_share_of_the_alcohol():
    fractions = [
        {"name": "Heads", "volume_l": 0.4, "abv_percent": 75},
        {"name": "hearts", "volume_l": 1.4, "abv_percent": 65},
    ]
    numbers = weigh(**spirits(fractions=fractions)).flags["cut_shares_unlike"].numbers
    assert numbers == pytest.approx({"control": 15 / 119, "treatment": 30 / 121})


@pytest.mark.parametrize(
    ("name", "control", "treatment", "flagged"),
    [
        ("carbonation_apart", {"co2_g_per_l": 5.0}, {"co2_g_per_l": 5.4}, False),
        ("carbonation_apart", {"co2_g_per_l": 5.0}, {"co2_g_per_l": 5.6}, True),
        ("bottle_ages_unequal", {"bottle_age_days": 30}, {"bottle_age_days": 36}, False),
        ("bottle_ages_unequal", {"bottle_age_days": 30}, {"bottle_age_days": 38}, True),
        ("bottle_ages_unequal", {"bottle_age_days": 30}, {}, False),
    ],
)
def test_packages_are_compared(name, control, treatment, flagged):
    batches = [documents.batch("control", package=control), documents.batch("treatment", package=treatment)]
    assert (name in weigh(batches=batches).flags) is flagged


def test_several_tasters_may_share_blocks_and_the_planned_number_or_have_it_each():
    two = [{**P, "presented": 6, "correct": 3}, {"assessor": "p2", "presented": 6, "correct": 3}]
    shared = weigh(registered_at=MARCH, **sat(order_draw="blocks", assessors=two))
    assert shared.flags == {}
    each = [P, {**P, "assessor": "p2"}]
    assert weigh(registered_at=MARCH, **sat(planned=24, assessors=each)).flags == {}


def test_two_sittings_may_share_the_planned_number():
    sitting = documents.trial(assessors=[{**P, "presented": 6, "correct": 3}])
    del sitting["planned"]
    assert weigh(registered_at=MARCH, trials=[sitting, sitting]).flags == {}
    assert {"stopped_early", "count_unlike_plan"} <= set(weigh(registered_at=MARCH, trials=[sitting]).flags)


def test_a_sham_trial_has_no_plan_to_depart_from():
    flags = weigh(
        registered_at=MARCH, trials=[documents.trial(), documents.trial(treatment="control", planned=6)]
    ).flags
    assert flags == {}


def test_a_flag_on_one_trial_stays_off_the_other():
    blocks = documents.trial(order_draw="blocks")
    rows = weigh(trials=[documents.trial(), blocks]).reduced.observations
    counts = [row for row in rows if row.outcome == "perceivable_difference"]
    assert ["order_in_blocks" in row.flags for row in counts] == [False, True]


def test_every_flag_of_the_table_can_be_raised():
    raised = set()
    for _, changes, _ in CASES:
        raised |= set(weigh(registered_at=JULY, **changes).flags)
    for like in ("near", "same"):
        raised |= set(weigh(like=like, **treated(final_sg=1.006)).flags)
    raised |= set(weigh(**spirits(tasting_abv_percent=22)).flags)
    fractions = [
        {"name": "heads", "volume_l": 1, "abv_percent": 75},
        {"name": "hearts", "volume_l": 1, "abv_percent": 65},
    ]
    raised |= set(weigh(**spirits(fractions=fractions)).flags)
    for package in ({"co2_g_per_l": 9}, {"bottle_age_days": 90}):
        less = dict.fromkeys(package, 1)
        raised |= set(
            weigh(batches=[documents.batch(package=less), documents.batch("treatment", package=package)]).flags
        )
    raised |= {each.name for each in weigh(trials=[]).report.deviations}
    for changes in (
        {"assessors": []},
        {"answered_before_pouring": 3},
        {"pour_sheet_openings": 2, "assessors": [P, {**P, "assessor": "p2"}]},
    ):
        raised |= set(weigh(sealed=[documents.sealed_trial(**changes)]).flags)
    assert raised == set(FLAGS)


def test_names_and_explanations_read_well():
    for name, kind in FLAGS.items():
        assert name == kind.name
        assert name.replace("_", "").isalnum()
        assert name.islower()
        assert kind.explanation.endswith(".")
