"""Pooled blind trials: what counts, what stands beside, and whether the answer hangs on it."""

from dataclasses import replace

import pytest

from service.evidence.aims import PERCEIVABLE
from service.evidence.found import look_into
from service.evidence.household_columns import named_trial_rows, trial_rows
from service.evidence.tasted_subset import subsets
from service.science.pooling.trials import pool_rows
from tests.evidence.builders import (
    aiming_at,
    answered,
    apart,
    collected,
    guessing,
    protocol,
    retracted,
    start,
    tasted,
    telling,
)


def part(rows, **given):
    return answered(rows, **given)["perceivable_difference"]


def test_households_that_tell_are_found_to_tell():
    made = answered(telling(10))
    trials = made["perceivable_difference"]
    assert (trials["households"], trials["presentations"], trials["correct"]) == (10, 120, 95)
    assert trials["expected_by_chance"] == pytest.approx(40.0)
    assert trials["any_time"]["e_value"] > 1000
    assert made["answer"].startswith("Blind tasters can tell “Cleared” from “Left cloudy”: over ten households")
    assert made["certainty"] == "building"


def test_evidence_that_rests_on_one_household_speaks_for_somebody():
    made = answered([tasted(1, 12), *(tasted(each, 4) for each in range(2, 7))])
    assert made["perceivable_difference"]["any_time"]["e_value"] >= 20
    assert made["answer"].startswith("Somebody can tell “Cleared” from “Left cloudy” blind")


def test_households_that_guess_show_nothing():
    made = answered(guessing(6))
    assert made["answer"].startswith("Not known yet whether blind tasters can tell")
    assert made["certainty"] == "thin"


def test_many_that_guess_are_practically_the_same():
    made = answered(guessing(40))
    assert made["perceivable_difference"]["verdict"] == "practically_the_same"
    assert "practically the same" in made["answer"]


@pytest.mark.parametrize("reason", ["order_in_blocks", "order_unknown", "told_during", "taster_held_key"])
def test_trials_outside_the_test_move_nothing_but_their_own_row(reason):
    rows = guessing(3)
    before = part(rows)
    after = part([*rows, tasted(9, 12, outside_the_test=reason)])
    assert after["outside_the_test"] == {reason: 1}
    assert (after["households"], after["correct"]) == (before["households"], before["correct"])
    assert after["nobody_can_tell"] == before["nobody_can_tell"]
    assert after["studies_total"] == 3
    assert after["robustness"]["with_outside_the_test"]["correct"] == before["correct"] + 12


def test_only_trials_outside_the_test_answer_nothing():
    made = answered([tasted(1, 12, outside_the_test="told_during")])
    assert made["answer"] == "No blind trial that counts has been reported yet."
    assert made["certainty"] == "single"


def test_a_household_that_tastes_twice_counts_once():
    rows = [tasted(1, 6, replication=1), tasted(1, 7, replication=2), tasted(2, 5, replication=3)]
    made = answered(rows)
    trials = made["perceivable_difference"]
    assert (trials["households"], trials["studies_total"], made["counted"]["replications"]) == (2, 3, 3)
    assert [left["household"] for left in part([*rows, tasted(3, 4, replication=4)])["leave_one_out"]] == [
        str(row.household_id) for row in (rows[0], rows[2], tasted(3, 4))
    ]


def test_below_guessing_is_no_verdict_and_points_to_the_key():
    made = answered([tasted(each, 0 if each % 3 else 1) for each in range(1, 13)])
    trials = made["perceivable_difference"]
    assert trials["verdict"] == "cannot_tell_yet"
    assert "check the key" in made["answer"]
    assert made["certainty"] == "thin"


class TestSham:
    def sham(self, household, correct, presented=12, **given):
        return tasted(household, correct, presented, control="control", treatment="control", sham=True, **given)

    def test_nobody_held_one(self):
        assert part(telling(3))["sham"] is None

    def test_they_are_pooled_apart(self):
        made = answered(
            [*telling(3), self.sham(1, 4), self.sham(2, 5), self.sham(3, 12, outside_the_test="told_during")]
        )
        sham = made["perceivable_difference"]["sham"]
        assert (sham["households"], sham["presentations"], sham["correct"]) == (2, 24, 9)
        assert made["perceivable_difference"]["presentations"] == 36
        assert sham["reading"].startswith("Two households had two vessels of one arm tasted: right 9 of 24.")

    @pytest.mark.parametrize(
        ("split_point", "shams", "excluded"),
        [
            ("recipe", 0, False),
            ("must", 0, False),
            ("must", 2, False),
            ("must", 3, True),
            ("ferment", 0, True),
            ("spirit", 0, True),
        ],
    )
    def test_batch_luck_is_excluded_by_a_late_split_or_three_households_of_shams(self, split_point, shams, excluded):
        rows = [*telling(10), *(self.sham(each, 4) for each in range(1, shams + 1))]
        made = answered(rows, protocols=[protocol(split_point=split_point)])
        assert ("not solid: batch luck is not excluded" not in made["certainty_reasons"]) is excluded
        assert ("batch luck is not excluded" not in made["answer"]) is excluded

    def test_shams_that_are_told_apart_open_it_again(self):
        made = answered([*telling(10), *(self.sham(each, 10) for each in range(1, 5))])
        assert "Two vessels of one arm were told apart as well" in made["answer"]
        assert "not solid: batch luck is not excluded" in made["certainty_reasons"]

    def test_the_earliest_split_of_what_is_pooled_counts(self):
        protocols = [protocol(split_point="recipe"), protocol(2, 3, split_point="spirit")]

        def is_open(rows):
            return "batch luck is not excluded" in answered(rows, protocols=protocols)["answer"]

        assert is_open(telling(10, protocol_version=1))
        assert not is_open(telling(10, protocol_version=2))
        assert is_open([*telling(10, protocol_version=2), tasted(11, 9, protocol_version=1)])
        assert is_open(telling(10, protocol_version=None))


class TestRobustness:
    def test_each_row_counts_what_its_name_says(self):
        rows = [
            tasted(1, 5, sealed=True),
            tasted(2, 6, registered=True),
            tasted(3, 7, vouched=True),
            tasted(4, 8, conditions_met=True),
            tasted(5, 9, sealed=True, registered=True, conditions_met=False),
        ]
        found = part(rows)["robustness"]
        correct = {name: found[name]["correct"] for name in found if name not in {"by_condition", "without_any_two"}}
        assert correct == {
            "sealed_only": 14,
            "sealed_or_registered_only": 20,
            "registered_only": 15,
            "vouched_only": 7,
            "conditions_met_only": 8,
            "with_retracted": 35,
            "with_outside_the_test": 35,
            "silent_as_chance": 35,
        }

    def test_a_pool_in_short_says_what_the_whole_pool_says(self):
        for rows in (guessing(12), telling(9), telling(4), telling(5, method="tetrad"), guessing(40)):
            trials = collected(rows).of(PERCEIVABLE)
            (short,) = subsets([trial_rows(trials)], 0.3)
            whole = pool_rows(named_trial_rows(trials), smallest_that_matters=0.3)
            assert short.verdict == whole.verdict
            assert short.p_value == whole.nobody_can_tell.p_value
            assert short.e_value == pytest.approx(whole.any_time.e_value, rel=1e-9)
            bound = whole.any_time.exact_interval if whole.any_time.interval.low is None else whole.any_time.interval
            assert short.proportion_discriminating.high == pytest.approx((bound.high - 1 / 3) * 1.5)

    def test_silent_starts_are_taken_as_chance(self):
        also = [
            start(20, state="registered"),
            start(21, state="withdrawn"),
            start(22, state="erased"),
            start(23, state="registered", plan={"method": "tetrad", "presentations": 10}),
            start(24, state="registered", plan={}),
        ]
        rows = telling(3)
        silent = part(rows, also=also)["robustness"]["silent_as_chance"]
        assert (silent["households"], silent["presentations"], silent["correct"]) == (7, 36 + 46, 28 + 12 + 3)

    def test_conditions_that_vary_over_three_households_each_are_shown_apart(self):
        stills = ["pot", "Pot", "pot", "column", "column", "column", "steam"]
        rows = [
            tasted(each, 4 + each % 3, moderators={"still": still, "yeast": "one"})
            for each, still in enumerate(stills, start=1)
        ]
        found = part(rows)["robustness"]["by_condition"]
        assert [(each["condition"], each["value"], each["households"]) for each in found] == [
            ("still", "column", 3),
            ("still", "pot", 3),
        ]

    def test_two_households_can_carry_it_all(self):
        rows = [tasted(1, 12), tasted(2, 12), *(tasted(each, 4) for each in range(3, 11))]
        made = answered(rows)
        assert made["perceivable_difference"]["any_time"]["e_value"] >= 20
        assert made["perceivable_difference"]["robustness"]["without_any_two"] is False
        assert "not solid: the answer changes by leaving out any two households" in made["certainty_reasons"]

    def test_a_household_leaves_with_all_its_methods(self):
        both = [tasted(each, 9, method=method) for each in (1, 2) for method in ("triangle", "tetrad")]
        found = part([*both, *(tasted(each, 4) for each in range(3, 8))])
        assert found["any_time"]["e_value"] >= 20
        assert found["robustness"]["without_any_two"] is False
        assert part([tasted(each, 11, method=("triangle", "tetrad")[each % 2]) for each in range(1, 8)])["robustness"][
            "without_any_two"
        ]

    def test_too_few_to_leave_two_out(self):
        assert part(telling(2))["robustness"]["without_any_two"] is None

    def test_a_retracted_result_that_would_turn_it_keeps_it_from_solid(self):
        rows = guessing(40, sealed=True)
        assert answered(rows)["certainty"] == "solid"
        # Thirty perfect scores, retracted: with them nobody could say that it is practically the same.
        back = [retracted(tasted(50 + each, 12)) for each in range(30)]
        made = answered([*rows, *back])
        assert made["certainty"] == "building"
        assert made["answer"] == answered(rows)["answer"]


def test_a_secondary_trial_never_carries_the_claim():
    made = answered([*telling(10), *apart(10)], protocols=[aiming_at("final_sg", 0.002)])
    assert made["perceivable_difference"]["primary"] is False
    assert made["answer"].startswith("“Cleared” finished 0.0060 lower on average")
    assert made["answer"].endswith("It can be tasted: tasters were right 95 times in 120, where guessing averages 40.")


def test_several_methods_pool_on_one_scale():
    rows = [tasted(each, 10, method=("triangle", "tetrad")[each % 2]) for each in range(1, 9)]
    made = answered(rows)
    trials = made["perceivable_difference"]
    assert [each["method"] for each in trials["by_method"]] == ["tetrad", "triangle"]
    assert trials["proportion_discriminating"]["estimate"] is None
    assert trials["d_prime"]["low"] > 0
    assert "on the scale that their methods share, d' averages" in made["answer"]


def test_the_studies_carry_what_is_known_of_them():
    rows = [tasted(1, 8, sealed=True, flags=("stopped_early",)), tasted(2, 12, registered=True)]
    first, second = part(rows)["studies"]
    assert (first["sealed"], first["registered"], first["flags"]) == (True, False, ["stopped_early"])
    assert second["registered"]
    assert second["d_prime"]["high"] is None
    assert second["proportion_discriminating"]["high"] in {None, 1.0}


def test_at_most_two_hundred_studies_are_listed_with_their_total():
    found = part([tasted(1, 4, replication=each) for each in range(1, 206)])
    assert (len(found["studies"]), found["studies_total"], found["households"]) == (200, 205, 1)


def test_the_path_of_the_evidence_has_a_step_for_each_study():
    found = look_into(collected(telling(6)))
    assert len(found.trials.log_path) == 6


def test_the_order_of_receipt_is_kept_when_the_retracted_are_put_back():
    rows = [tasted(each, each % 5) for each in range(1, 7)]
    gone = [replace(row, left_position=row.entered_position + 1, left_reason="retracted") for row in rows[:1]]
    whole = part(rows)["robustness"]["registered_only"], part(rows)["robustness"]["with_retracted"]
    put_back = part([*gone, *rows[1:]])["robustness"]["with_retracted"]
    assert put_back == whole[1]
