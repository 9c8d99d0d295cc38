"""Measured outcomes: one number a household, the any-time verdict, ratios, and what they hang on."""

import math

import pytest

from tests.evidence.builders import aiming_at, answered, apart, measured, protocol, retracted, start, tasted

AIM = [aiming_at("final_sg", 0.002)]


def part(rows, outcome="final_sg", protocols=AIM, **given):
    return answered(rows, protocols=protocols, **given)["measured"][outcome]


def test_published_figures_of_the_any_time_interval():
    """Household values and limits of tests/reference/pooling/any_time_t.json: worked example, k = 8."""
    values = (-0.004, -0.007, -0.002, -0.009, -0.005, -0.006, -0.001, -0.008)
    found = part([measured(each, value) for each, value in enumerate(values, start=1)])
    assert found["estimate"] == pytest.approx(-0.00525)
    assert found["sd_between_households"] == pytest.approx(0.0028157719, rel=1e-7)
    assert found["any_time"]["e_value"] == pytest.approx(47.22316875, rel=1e-8)
    assert found["any_time"]["low"] == pytest.approx(-0.00525 - 0.0042318737, rel=1e-7)
    assert found["any_time"]["high"] == pytest.approx(-0.00525 + 0.0042318737, rel=1e-7)


def test_a_household_that_replicates_twice_is_one_number():
    rows = [measured(1, -0.004, replication=11), measured(1, -0.008, replication=12), measured(2, -0.003)]
    made = answered(rows, protocols=AIM)
    found = made["measured"]["final_sg"]
    assert (found["households"], found["studies_total"], made["counted"]["replications"]) == (2, 3, 3)
    assert found["estimate"] == pytest.approx(-0.0045)


def test_twice_the_same_household_is_no_more_evidence():
    rows = apart(8)
    again = [measured(row.household_id.int, row.difference, replication=100 + row.household_id.int) for row in rows]
    once, twice = part(rows), part([*rows, *again])
    assert twice["any_time"] == pytest.approx(once["any_time"])


@pytest.mark.parametrize(
    ("mean", "step", "verdict"),
    [
        (-0.006, 0.0004, "bigger_than_matters"),
        (0.0, 0.0001, "practically_the_same"),
        (0.0022, 0.0002, "real_but_may_be_too_small"),
        (0.001, 0.002, "cannot_tell_yet"),
    ],
)
def test_each_verdict_by_the_any_time_interval_alone(mean, step, verdict):
    made = answered(apart(10, mean, step), protocols=AIM)
    found = made["measured"]["final_sg"]
    assert found["verdict"] == verdict
    bounds = found["any_time"]["low"], found["any_time"]["high"]
    assert found["low"] > bounds[0]
    assert found["high"] < bounds[1]
    assert made["certainty"] == ("thin" if verdict == "cannot_tell_yet" else "building")


def test_a_size_that_was_never_named_gives_no_verdict():
    made = answered(apart(10), protocols=[aiming_at("final_sg")])
    assert made["measured"]["final_sg"]["verdict"] == "cannot_tell_yet"
    assert made["answer"].startswith(
        "“Cleared” finished 0.0060 lower on average than “Left cloudy” over ten households"
    )
    assert "how much would matter was never said" in made["answer"]
    assert made["certainty"] == "thin"


def test_solid_needs_five_registered_before_pitching():
    assert answered(apart(10, registered=True), protocols=AIM)["certainty"] == "solid"
    few = [*apart(4, registered=True), *(measured(each, -0.006 + each * 1e-5) for each in range(5, 11))]
    reasons = answered(few, protocols=AIM)["certainty_reasons"]
    assert "not solid: four households registered; five households are needed" in reasons


def test_silent_starts_are_taken_as_no_difference():
    also = [start(each, state="registered") for each in range(20, 40)]
    made = answered(apart(10, registered=True), protocols=AIM, also=also)
    robust = made["measured"]["final_sg"]["robustness"]
    assert robust["silent_as_zero"]["households"] == 30
    assert robust["silent_as_zero"]["estimate"] == pytest.approx(-0.002)
    assert robust["silent_as_zero"]["verdict"] != "bigger_than_matters"
    assert "not solid: the answer changes by taking every silent start as no difference" in made["certainty_reasons"]
    assert "not solid: 10 of 30 starts were reported; nine in ten are needed" in made["certainty_reasons"]


def test_each_row_of_robustness_counts_what_its_name_says():
    rows = [
        measured(1, 0.001, registered=True),
        measured(2, 0.002, vouched=True),
        measured(3, 0.003, conditions_met=True),
        retracted(measured(4, 0.010)),
    ]
    robust = part(rows)["robustness"]
    means = {name: robust[name]["estimate"] for name in robust if isinstance(robust[name], dict)}
    assert means == pytest.approx(
        {
            "registered_only": 0.001,
            "vouched_only": 0.002,
            "conditions_met_only": 0.003,
            "with_retracted": 0.004,
            "silent_as_zero": 0.002,
        }
    )
    assert [left["estimate"] for left in robust["leave_one_out"]] == pytest.approx([0.0025, 0.002, 0.0015])


def test_conditions_are_shown_apart():
    rows = [measured(each, 0.001 * (each % 2), moderators={"lid": bool(each % 2)}) for each in range(1, 9)]
    found = part(rows)["robustness"]["by_condition"]
    assert [(each["condition"], each["value"], each["estimate"]) for each in found] == [
        ("lid", "false", 0.0),
        ("lid", "true", pytest.approx(0.001)),
    ]


class TestSecondMethod:
    def rows(self, variances):
        return [
            measured(each, -0.006 + 0.0004 * each, variance=variance)
            for each, variance in enumerate(variances, start=1)
        ]

    def test_it_stands_beside_where_instruments_differ_by_more_than_three(self):
        found = part(self.rows([1e-6, 1e-6, 1e-6, 1.1e-5, 1.1e-5]))["second_method"]
        assert (found["estimator"], found["interval"]) == ("reml", "hartung_knapp_modified")
        assert found["low"] < found["estimate"] < found["high"]
        assert found["reading"].startswith("Weighed by their instruments, households average ")

    @pytest.mark.parametrize("variances", [[1e-6] * 5, [1e-6, 9e-6, 1e-6, 1e-6], [1e-6, None, 1e-4], [1e-6, 1e-4]])
    def test_it_stays_away_where_they_are_alike_unknown_or_few(self, variances):
        assert part(self.rows(variances))["second_method"] is None

    def test_precise_and_imprecise_households_that_disagree_are_named(self):
        rows = [
            *(measured(each, -0.001 + 1e-5 * each, variance=1e-8) for each in range(1, 4)),
            *(measured(each, -0.010 + 1e-5 * each, variance=1e-4) for each in range(4, 7)),
        ]
        assert part(rows)["second_method"]["reading"].endswith("Precise and imprecise households disagree.")


class TestRatios:
    AIM = (aiming_at("days_to_finish", 3.0),)

    def days(self, household, control, treatment, **given):
        details = {"control_value": control, "treatment_value": treatment, "unit": "days", "scale": "log_ratio"}
        return measured(household, math.log(treatment / control), "days_to_finish", details=details, **given)

    def test_they_are_pooled_as_logarithms_and_said_as_ratios(self):
        rows = [self.days(each, 20.0, 20.0 * (0.70 + 0.01 * each)) for each in range(1, 10)]
        made = answered(rows, protocols=self.AIM)
        found = made["measured"]["days_to_finish"]
        assert found["scale"] == "log_ratio"
        assert found["ratio"]["estimate"] == pytest.approx(math.exp(found["estimate"]))
        assert found["ratio"]["any_time"]["high"] == pytest.approx(math.exp(found["any_time"]["high"]))
        assert (found["smallest_difference_that_matters"], found["verdict"]) == (3.0, "bigger_than_matters")
        assert made["answer"] == (
            "“Cleared” took 25 % less time on average than “Left cloudy” over nine households (range −29 % to −21 %); "
            "that is more than the 3.0 days (15 % here) that was said to matter. Nobody has tasted it blind."
        )

    def test_a_twofold_and_a_half_are_equally_far_from_level(self):
        rows = [self.days(1, 10.0, 20.0), self.days(2, 20.0, 10.0)]
        assert part(rows, "days_to_finish", self.AIM)["ratio"]["estimate"] == pytest.approx(1.0)

    def test_where_an_arm_had_not_finished_only_the_sign_counts(self):
        rows = [self.days(each, 20.0, 15.0 + each) for each in range(1, 5)]
        still_going = measured(9, 0.0, "days_to_finish", details={"finished_first": "treatment"})
        object.__setattr__(still_going, "difference", None)
        made = answered([*rows, still_going], protocols=self.AIM)
        found = made["measured"]["days_to_finish"]
        assert (found["estimate"], found["unfinished"], found["households"]) == (None, 1, 0)
        assert (found["sign_count"]["lower"], found["sign_count"]["higher"]) == (5, 0)
        assert "which arm finished first" in made["answer"]
        assert made["certainty"] == "thin"

    def test_a_difference_has_no_ratio(self):
        assert part(apart(3))["ratio"] is None


def test_what_the_protocol_names_and_what_was_reported_is_shown():
    aim = protocol(
        outcomes=[
            {"outcome": "haze_ntu", "primary": True, "smallest_difference_that_matters": 5.0},
            {"outcome": "preference"},
            {"outcome": "reached_dryness"},
        ]
    )
    rows = [measured(1, 12.0, "haze_ntu"), measured(1, 0.1, "ph_end"), tasted(1, 8)]
    made = answered(rows, protocols=[aim])
    assert list(made["measured"]) == ["haze_ntu", "final_sg", "ph_end"]
    assert [each["primary"] for each in made["measured"].values()] == [True, False, False]
    assert made["answer"].startswith("One household has reported: “Cleared” was 12.000 higher in haze ntu than")


def test_secondary_outcomes_are_labelled():
    made = answered([*apart(6), tasted(1, 8)])
    assert made["measured"]["final_sg"]["reading"].startswith("A secondary outcome: it carries no claim of its own.")
    assert not part(apart(6))["reading"].startswith("A secondary")


def test_identical_differences_bound_nothing():
    made = answered([measured(each, -0.006) for each in range(1, 10)], protocols=AIM)
    found = made["measured"]["final_sg"]
    assert (found["any_time"]["low"], found["verdict"]) == (None, "cannot_tell_yet")
    assert "rounding or copies" in made["answer"]
    assert made["certainty"] == "thin"


def test_the_reading_says_what_the_figures_say():
    reading = part(apart(10))["reading"]
    assert reading.startswith(
        "Ten households: the treatment finished 0.0060 lower on average than the control, from −0.00"
    )
    assert "Ten of ten households went lower." in reading
    assert "Most households should see it." in reading
    assert "One household decides" not in reading
