import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.discrimination import METHODS, significance
from service.science.trial_readings import significance_reading


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
