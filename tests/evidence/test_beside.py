"""Liking, words and dryness: pooled by household, and described no further than they go."""

import pytest

from tests.evidence.builders import aiming_at, answered, dried, liked, protocol, retracted, row, start, tasted, ticks


class TestLiking:
    def part(self, rows, **given):
        return answered(rows, **given)["preference"]

    def test_nobody_was_asked(self):
        assert self.part([tasted(1, 8)]) is None

    def test_a_household_counts_once_however_many_glasses_it_drank(self):
        rows = [liked(1, 0, 100), *(liked(each, 3, 1) for each in range(2, 6))]
        found = self.part(rows)
        assert found["share_preferring_treatment"]["estimate"] == pytest.approx((1.0 + 4 * 0.25) / 5)
        assert found["pooled"]["share_preferring_treatment"]["estimate"] == pytest.approx(104 / 116)
        assert found["sign_count"] == {"control": 4, "treatment": 1, "even": 0, "p_value": pytest.approx(0.375)}
        assert (found["households"], found["presented"]) == (5, 116)

    def test_answers_without_a_preference_stand_outside(self):
        found = self.part([liked(1, 1, 3, 96), liked(2, 0, 0, 5)])
        assert (found["households"], found["no_preference"], found["presented"]) == (1, 101, 105)
        assert found["share_preferring_treatment"]["estimate"] == pytest.approx(0.75)

    def test_two_replications_of_a_household_are_added_up(self):
        found = self.part([liked(1, 0, 4, replication=1), liked(1, 4, 0, replication=2)])
        assert (found["households"], found["share_preferring_treatment"]["estimate"]) == (1, 0.5)

    def test_trials_whose_taster_held_the_key_stand_outside(self):
        found = self.part([liked(1, 1, 3), liked(2, 0, 9, outside_the_test="taster_held_key")])
        assert (found["presented"], found["outside_the_test"]) == (4, {"taster_held_key": 1})

    def test_a_leaning_of_every_household_is_shown(self):
        rows = [liked(each, 2 + each % 2, 8 - each % 3) for each in range(1, 13)]
        made = answered(rows, protocols=[aiming_at("preference", 0.05)])
        assert made["preference"]["any_time"]["e_value"] >= 20
        assert made["answer"].startswith("“Cleared” is liked better than “Left cloudy”: over twelve households")
        assert made["preference"]["verdict"] == "bigger_than_matters"
        assert made["certainty"] == "building"

    def test_a_registered_leaning_that_survives_all_is_solid_and_a_silent_crowd_undoes_it(self):
        rows = [liked(each, 2 + each % 2, 8 - each % 3, registered=True) for each in range(1, 13)]
        aims = [aiming_at("preference", 0.05)]
        assert answered(rows, protocols=aims)["certainty"] == "solid"
        also = [start(each, state="registered") for each in range(30, 60)]
        reasons = answered(rows, protocols=aims, also=also)["certainty_reasons"]
        assert "not solid: the answer changes by taking every silent start as even" in reasons
        back = [retracted(liked(60 + each, 9, 0)) for each in range(20)]
        reasons = answered([*rows, *back], protocols=aims)["certainty_reasons"]
        assert "not solid: the answer changes by putting the retracted back" in reasons

    def test_an_even_split_shows_nothing_and_rules_nothing_out(self):
        rows = [liked(each, 4 + each % 3, 6 - each % 3) for each in range(1, 13)]
        found = self.part(rows)
        assert "No preference is shown, and none is ruled out." in found["reading"]
        assert found["any_time"]["low"] < 0.5 < found["any_time"]["high"]
        assert found["exact_interval"]["low"] < 0.5 < found["exact_interval"]["high"]

    def test_a_question_about_liking_that_nobody_answered(self):
        made = answered([tasted(1, 8)], protocols=[aiming_at("preference")])
        assert made["answer"] == "Nobody has said yet which is liked better."


class TestWords:
    def part(self, rows, **given):
        return answered(rows, **given)["descriptors"]

    def test_no_words(self):
        assert self.part([tasted(1, 8)]) == []

    def test_words_are_added_up_and_compared_as_pairs(self):
        (found,) = self.part([ticks(1, grainy=(1, 8, 0, 3)), ticks(2, grainy=(0, 2, 0, 4))])
        assert (found["pairs"], found["only_control"], found["only_treatment"]) == (18, 10, 0)
        assert found["p_value"] == found["adjusted_p_value"] == pytest.approx(2 * 0.5**10)
        assert found["difference"]["estimate"] == pytest.approx(-10 / 18)
        assert (found["households"], found["households_more_control"]) == (2, 2)
        assert "fitted the control more often than the treatment, in two of two households" in found["reading"]
        assert "not independent" in found["reading"]

    def test_many_words_pay_for_their_number(self):
        terms = {f"word{each}": (1, 5, 0, 3) for each in range(10)}
        found = self.part([ticks(1, **terms)])
        assert all(each["adjusted_p_value"] == pytest.approx(min(1.0, 10 * each["p_value"])) for each in found)
        assert all("not shown to fit one arm more often" in each["reading"] for each in found)

    def test_one_word_in_two_spellings_is_one(self):
        (found,) = self.part([ticks(1, Grainy=(0, 1, 0, 3)), ticks(2, grainy=(0, 1, 0, 3))])
        assert (found["term"], found["pairs"]) == ("Grainy", 8)

    def test_words_of_the_protocol_come_first_and_a_flood_of_others_is_bounded(self):
        flood = {f"word{each:03}": (1, 0, 0, 30) for each in range(40)}
        rows = [
            ticks(1, **flood),
            ticks(2, **{f"other{each}": (1, 0, 0, 30) for each in range(40)}),
            ticks(3, hot=(1, 0, 0, 0)),
        ]
        found = self.part(rows, protocols=[protocol(descriptors=["hot"])])
        assert (found[0]["term"], len(found)) == ("hot", 60)

    def test_a_question_about_words_decides_nothing(self):
        rows = [ticks(each, grainy=(0, 12, 0, 0)) for each in range(1, 13)]
        made = answered(rows, protocols=[aiming_at("descriptors")])
        assert made["answer"].startswith("Words are a lead to follow, and decide nothing")
        assert made["certainty"] == "thin"


class TestDryness:
    AIM = (aiming_at("reached_dryness"),)

    def part(self, rows, **given):
        return answered(rows, **given)["finished_dry"]

    def pairs(self, both=0, only_control=0, only_treatment=0, neither=0, **given):
        kinds = [(True, True)] * both + [(True, False)] * only_control + [(False, True)] * only_treatment
        kinds += [(False, False)] * neither
        return [
            dried(household, control=control, treatment=treatment, **given)
            for household, (control, treatment) in enumerate(kinds, start=1)
        ]

    def test_nobody_said(self):
        assert self.part([tasted(1, 8), row(2, outcome="reached_dryness")]) is None

    def test_the_pairs_are_counted(self):
        found = self.part(self.pairs(3, 1, 6, 2))
        assert found["pairs"] == {"both": 3, "only_control": 1, "only_treatment": 6, "neither": 2}
        assert found["risk_difference"]["estimate"] == pytest.approx(5 / 12)
        assert found["conditional_odds_ratio"]["estimate"] == pytest.approx(6.0)
        # Mid-p of 1 in 7: twice the tail of 8/128, less the chance of just that, 7/128 (Fagerland et al. 2013).
        assert found["p_value"] == pytest.approx(9 / 128)
        # 2^7 B(1 + 1, 1 + 6), B(2, 7) = 1/56.
        assert found["any_time_e_value"] == pytest.approx(128 / 56)

    def test_without_an_upper_limit_the_limit_is_null(self):
        found = self.part(self.pairs(only_treatment=5))
        assert found["conditional_odds_ratio"]["estimate"] is None
        assert found["conditional_odds_ratio"]["high"] is None
        assert found["conditional_odds_ratio"]["low"] > 0

    def test_a_household_counts_once(self):
        rows = [dried(1, control=False, treatment=True, replication=each) for each in range(1, 20)]
        found = self.part(rows)
        assert (found["households"], found["pairs"]["only_treatment"]) == (1, 1)

    def test_a_question_about_dryness_builds_by_its_evidence(self):
        made = answered(self.pairs(only_treatment=12, registered=True), protocols=self.AIM)
        assert made["answer"].startswith("“Cleared” finishes dry more often than “Left cloudy”")
        assert made["certainty"] == "solid"
        assert "that the arms don't finish dry equally often" in " ".join(made["certainty_reasons"])

    def test_silent_starts_and_the_retracted_weigh_on_it(self):
        back = [retracted(dried(50 + each, control=True, treatment=False)) for each in range(10)]
        also = [start(80, state="registered")]
        made = answered([*self.pairs(only_treatment=12, registered=True), *back], protocols=self.AIM, also=also)
        robust = made["finished_dry"]["robustness"]
        assert robust["with_retracted"]["only_control"] == 10
        assert robust["silent_as_no_difference"]["neither"] == 1
        assert "not solid: the answer changes by putting the retracted back" in made["certainty_reasons"]

    def test_pairs_that_agree_say_nothing_either_way(self):
        found = self.part(self.pairs(both=4, neither=3))
        assert found["conditional_odds_ratio"]["estimate"] is None
        assert found["withheld"] == [{"output": "conditional_odds_ratio", "reason": "no household changed"}]
        assert "nothing speaks for a difference or rules one out" in found["reading"]
