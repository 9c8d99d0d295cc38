import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.discrimination import METHODS, sequential, significance, similarity
from service.science.trial_planning import trial_plan
from service.science.trial_readings import plan_reading, sequential_reading, significance_reading, similarity_reading


def reading(method, presented, correct, **options):
    return significance_reading(significance(method, presented, correct), **options)


def test_eight_of_twelve():
    assert reading("triangle", 12, 8) == (
        "You found the odd glass 8 times in 12. Guessing averages 4, and does this well about 1 time in 53, provided "
        "you fixed twelve beforehand. If you stopped because it was going well, count it as 8 to 1: a hint. How well "
        "you can tell is open: between 2 and 85 of 100 servings. This is about you and these two batches. Different is "
        "not better."
    )


def test_eight_of_twelve_planned():
    text = reading("triangle", 12, 8, fixed_beforehand=True)
    assert "about 1 time in 53." in text
    assert "You can tell these apart." in text
    assert "beforehand" not in text
    assert "to 1:" not in text


def test_four_of_ten():
    assert reading("triangle", 10, 4) == (
        "You found the odd glass 4 times in 10. Guessing does this well 44 times in 100. No difference shown, and none "
        "ruled out: up to 61 of 100 servings could truly be told apart."
    )


def test_ten_of_ten():
    text = reading("triangle", 10, 10, fixed_beforehand=True)
    assert text.startswith(
        "You found the odd glass 10 times in 10. Guessing does this once in 59 049. You can tell these apart, in at "
        "least 54 of 100 servings; there is no upper limit. A perfect score is also what a giveaway looks like: check "
        "colour, haze, fill, gas, temperature, strength, and who held the key."
    )


def test_a_perfect_score_too_short_to_tell():
    text = reading("triangle", 3, 3)
    assert "once in 27" in text
    assert "You can tell these apart" not in text
    assert "there is no upper limit" in text
    assert "giveaway" in text


def test_far_below_chance_asks_for_the_key_to_be_checked():
    text = reading("triangle", 20, 1)
    assert "treat it as guessing" in text
    assert "check the key, the codes and the instructions" in text
    assert "the upper limit is 0 of 100 servings" in text
    assert "check the key" not in reading("triangle", 20, 5)


@pytest.mark.parametrize(("method", "presented", "more"), [("triangle", 2, "one"), ("duo_trio", 2, "three")])
def test_too_few_to_decide(method, presented, more):
    text = reading(method, presented, presented)
    assert "Too few to decide" in text
    assert f"add at least {more} more" in text


def test_several_tasters_are_spoken_of_as_such():
    text = reading("triangle", 24, 14, fixed_beforehand=True, tasters=12)
    assert text.startswith("The tasters found the odd glass 14 times in 24.")
    assert "these tasters and these two batches" in text
    assert "it is too narrow" in text
    assert "too narrow" not in reading("triangle", 24, 14, fixed_beforehand=True, tasters=24)


def test_a_p_value_without_evidence_is_not_sold_as_a_finding():
    text = reading("triangle", 5000, 1750)
    assert "it counts for nothing against guessing" in text
    assert "can tell these apart" not in text


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(sorted(METHODS)), st.integers(1, 3000), st.floats(0.0, 1.0), st.booleans(), st.integers(1, 30))
def test_every_reading_keeps_the_rules(method, presented, share, fixed, tasters):
    correct = round(share * presented)
    result = significance(method, presented, correct)
    text = significance_reading(result, fixed_beforehand=fixed, tasters=tasters)
    assert "nan" not in text
    assert not re.search(r"\binf\b|prove|significant|no effect|no difference\b(?! shown)", text)
    assert ("Different is not better." in text) == (result.p_value <= 0.05)
    if result.p_value > 0.05:
        assert re.search(r"upper limit|up to (\d+|fewer than 1) of 100 servings", text)
        assert "can tell" not in text
    assert not text.count("  ")


def test_similarity_passed_failed_undecided_and_both():
    passed = similarity_reading(similarity("triangle", 36, 10))
    assert "fewer than 30 of 100 servings can be told apart (95 % sure): 10 right in 36, at most 13 allowed" in passed
    assert "this taster and these two batches" in passed
    assert "That isn't the same as none." in passed
    failed = similarity_reading(similarity("triangle", 36, 14))
    assert failed.startswith("Similarity isn't shown")
    assert "up to 31 of 100 servings could be told apart" in failed
    undecided = similarity_reading(similarity("triangle", 12, 3))
    assert undecided.startswith("Too few to decide: no count out of 12")
    assert "up to 29 of 100 servings" in undecided
    both = similarity_reading(similarity("triangle", 36, 18, largest_tolerable_discriminating=0.5))
    assert both.startswith("A difference is there, and it is smaller than the limit you set")
    mixed_up = similarity_reading(similarity("triangle", 60, 8))
    assert "check the key" in mixed_up
    assert "check the key" not in passed


def test_sequential_crossed_and_not():
    crossed = sequential_reading(sequential("triangle", [True] * 4 + [False] * 20))
    assert "It reached 20 to 1 at answer 4, and that stands." in crossed
    assert "Different is not better." in crossed
    open_still = sequential_reading(sequential("triangle", [True, True, False, True, True, False, True, False]))
    assert "It hasn't reached 20 to 1, so no difference is shown, and none ruled out." in open_still
    assert "At its height it was" in open_still
    below_even = sequential_reading(sequential("duo_trio", [False] * 3))
    assert "below even: no sign of a difference so far" in below_even


def test_plan_reading():
    text = plan_reading(trial_plan("triangle", d_prime=1.0))
    assert text.startswith("Fix 220 presentations before the first glass. Call a difference shown from 86 right;")
    assert "Where 13 of 100 servings can be told apart (d\u2032 1), this shows it 81 times in 100." in text
    assert "202 would do too, but not one more or less" in text
    assert "By tetrad 65 presentations (260 glasses) do the same." in text
    assert "By 2-AFC 26 presentations (52 glasses) do the same, if you can name beforehand" in text
    assert "doesn't show that nothing is there" in text
    shared = plan_reading(
        trial_plan("two_afc", proportion_discriminating=0.3, households=8, between_household_sd=1.0, pour_ml=1.0)
    )
    assert "in each of eight households" in shared
    assert "right in all" in shared
    assert "their mean" in shared
    assert "over 1 day or more" in shared
    assert "By tetrad" not in shared


def test_small_limits_are_said_as_they_were_chosen():
    """Not rounded to a whole serving, and never "fewer than fewer than"."""
    undecided = similarity_reading(similarity("triangle", 600, 150, largest_tolerable_discriminating=0.015))
    assert "fewer than 1.5 of 100 servings" in undecided
    assert "so few right leave no room for a difference (95 % sure)" in undecided
    assert "check the key" in undecided
    shown = similarity_reading(similarity("triangle", 1_000_000, 333_000, largest_tolerable_discriminating=0.003))
    assert "fewer than 0.3 of 100 servings can be told apart" in shown
    unshown = similarity_reading(similarity("triangle", 1_000_000, 334_560, largest_tolerable_discriminating=0.003))
    assert "As it stands fewer than 1 of 100 servings could be told apart" in unshown


def test_a_confidence_that_is_not_the_usual_one_is_said():
    assert "% confidence" not in significance_reading(significance("triangle", 12, 8))
    assert "Ranges are given at 99 % confidence." in significance_reading(significance("triangle", 12, 8, 0.99))


def test_a_perfect_score_leaves_room_above():
    assert "in at least 99 of 100 servings; there is no upper limit" in reading("tetrad", 100_000, 100_000)


def test_evidence_that_crossed_and_went_away_is_not_called_no_sign():
    text = sequential_reading(sequential("triangle", [True] * 5 + [False] * 16))
    assert text.startswith("5 right in 21: by now the evidence against guessing is below even. It reached 20 to 1")
    assert "no sign" not in text
