"""Each sentence that an answer can begin with: true of its figures, and saying no more than they show."""

import re
from dataclasses import replace

import pytest

from service.evidence.dryness import dry_answer
from service.evidence.measured_words import MeasuredFigures, measured_answer
from service.evidence.outcomes import MEASURED, words_for
from service.evidence.preferred_words import PreferredFigures, preferred_answer
from service.evidence.tasted_words import TastedFigures, tasted_answer, tasted_beside
from service.science.pooling.pairs import PairCounts, pool_pair_counts

TOLD = TastedFigures(
    households=9,
    correct=64,
    presentations=108,
    expected=36.0,
    e_value=5e5,
    discriminating=0.39,
    d_prime=1.8,
    low=0.22,
    high=0.56,
    at_most=0.6,
    smallest_that_matters=0.2,
    verdict="cannot_tell_yet",
    rests_on_one=False,
    below_chance=False,
    luck="excluded",
)
OPEN = replace(TOLD, correct=40, e_value=0.4, discriminating=0.05, low=0.0, high=0.3, at_most=0.19)


def tasted(**changed):
    base = TOLD if changed.pop("told", True) else OPEN
    return tasted_answer(replace(base, **changed), "Left cloudy", "Cleared")


def test_they_can_tell():
    assert tasted() == (
        "Blind tasters can tell “Cleared” from “Left cloudy”: over nine households tasters were right 64 times in 108, "
        "where guessing averages 36; about 39 in 100 servings were truly told apart (range 22 to 56). Whether it "
        "reaches 20 in 100, the mark for a difference that matters, is open; different is not better."
    )
    assert tasted(verdict="bigger_than_matters").endswith(
        "That is above 20 in 100, the mark for a difference that matters; different is not better."
    )
    assert tasted(verdict="practically_the_same").endswith(
        "It is below 20 in 100, the mark for a difference that matters."
    )


def test_few_households_or_a_single_one_that_decides_speak_for_somebody():
    assert tasted(households=4).startswith("Somebody can tell “Cleared” from “Left cloudy” blind: over four households")
    assert tasted(rests_on_one=True).startswith("Somebody can tell")
    assert tasted(households=5).startswith("Blind tasters can tell")


def test_a_range_that_says_nothing_is_left_out():
    assert "(range" not in tasted(low=0.0, high=1.0)
    assert "(range 0 to 90)" in tasted(low=0.0, high=0.9)


def test_batch_luck_is_said_where_it_may_be_all_there_is():
    assert tasted(luck="open").endswith("The two batches can be told apart; batch luck is not excluded.")
    assert "may be all there is" in tasted(luck="shown")
    assert "batch luck" not in tasted()
    assert "batch luck" not in tasted(told=False, luck="open")


def test_several_methods_share_the_scale_of_d_prime():
    said = tasted(discriminating=None, low=1.2, high=2.4)
    assert "on the scale that their methods share, d' averages 1.8 (range 1.2 to 2.4)" in said
    assert "in 100 servings" not in said
    assert tasted(discriminating=None, d_prime=None, low=None, high=None).endswith("Different is not better.")


def test_an_open_question_rules_nothing_out():
    assert tasted(told=False) == (
        "Not known yet whether blind tasters can tell “Cleared” from “Left cloudy”: over nine households tasters were "
        "right 40 times in 108, where guessing averages 36. The evidence for a difference: no sign of a difference so "
        "far; up to 19 in 100 servings could truly be told apart."
    )
    assert "The evidence speaks against a difference of the size we looked for" in tasted(told=False, e_value=0.02)


def test_practically_the_same_says_by_which_mark():
    said = tasted(told=False, verdict="practically_the_same")
    assert said.startswith("Blind tasters find “Cleared” and “Left cloudy” practically the same")
    assert "fewer than 20 in 100 servings can be told apart" in said


def test_an_interval_above_guessing_without_the_evidence_says_seem():
    said = tasted(e_value=12.0, verdict="bigger_than_matters")
    assert said.startswith("Blind tasters seem to tell")
    assert said.endswith("The evidence for a difference: a fair sign.")


def test_clearly_below_guessing_points_to_the_key():
    said = tasted(correct=15, e_value=0.001, below_chance=True)
    assert said.startswith("Not known yet")
    assert "check the key, the codes and the instructions first" in said


def test_one_household_speaks_for_itself():
    assert tasted(households=1, correct=1, presentations=12, expected=4.0) == (
        "One household has tasted so far: right 1 time in 12, where guessing averages 4. One household can't speak for "
        "the others."
    )
    assert tasted(households=0) == "No blind trial that counts has been reported yet."


def test_beside_a_measurement_tasting_is_shown_or_not_shown():
    assert tasted_beside(TOLD) == "It can be tasted: tasters were right 64 times in 108, where guessing averages 36."
    assert tasted_beside(OPEN).startswith("It was not shown to be tasted")
    assert tasted_beside(replace(OPEN, households=0)) == "Nobody has tasted it blind."


MEASURED_FIGURES = MeasuredFigures(
    households=9,
    estimate=-0.0062,
    low=-0.0088,
    high=-0.0036,
    smallest=0.002,
    matters=0.002,
    verdict="bigger_than_matters",
    identical=False,
)


def measured(outcome="final_sg", **changed):
    return measured_answer(replace(MEASURED_FIGURES, **changed), words_for(outcome), "At once", "In steps")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (
            {},
            "“In steps” finished 0.0062 lower on average than “At once” over nine households (range −0.0088 to "
            "−0.0036); that is more than the 0.0020 that was said to matter.",
        ),
        (
            {"estimate": 0.0004, "low": -0.0006, "high": 0.0014, "verdict": "practically_the_same"},
            "“In steps” and “At once” are practically the same in final gravity: over nine households they lay 0.0004 "
            "apart on average (range −0.0006 to +0.0014), within the 0.0020 that was said to matter.",
        ),
        (
            {"estimate": 0.0024, "low": 0.0004, "high": 0.0044, "verdict": "real_but_may_be_too_small"},
            "“In steps” finished 0.0024 higher on average than “At once” over nine households (range +0.0004 to "
            "+0.0044); whether that is as much as the 0.0020 that was said to matter is open.",
        ),
        (
            {"low": -0.0140, "high": 0.0016, "verdict": "cannot_tell_yet"},
            "Not known yet: over nine households “In steps” finished 0.0062 lower on average than “At once”, and "
            "anything from −0.0140 to +0.0016 could be the truth.",
        ),
        (
            {"households": 2, "low": None, "high": None, "verdict": "cannot_tell_yet"},
            "Not known yet: over two households “In steps” finished 0.0062 lower on average than “At once”, and so few "
            "households leave the true difference open.",
        ),
        (
            {"households": 1, "low": None, "high": None, "verdict": "cannot_tell_yet"},
            "One household has reported: “In steps” finished 0.0062 lower than “At once”. One household can't say "
            "whether the treatment or the bucket did it.",
        ),
        (
            {"smallest": None, "matters": None, "verdict": "cannot_tell_yet"},
            "“In steps” finished 0.0062 lower on average than “At once” over nine households (range −0.0088 to "
            "−0.0036); how much would matter was never said.",
        ),
        (
            {"identical": True, "low": None, "high": None, "verdict": "cannot_tell_yet"},
            "Not known yet: nine households report the very same difference, which may be rounding or copies: “In "
            "steps” finished 0.0062 lower on average than “At once”.",
        ),
        (
            {"estimate": 0.00001, "low": -0.003, "high": 0.003, "verdict": "cannot_tell_yet"},
            "Not known yet: over nine households “In steps” came out level on average with “At once”, and anything "
            "from −0.0030 to +0.0030 could be the truth.",
        ),
        ({"households": 0, "estimate": None}, "No replication has reported final gravity for both arms yet."),
    ],
)
def test_each_verdict_on_a_measurement(changed, said):
    assert measured(**changed) == said


def test_a_ratio_is_said_in_per_cent_and_its_mark_in_the_unit():
    said = measured(
        "days_to_finish",
        estimate=-0.2231,
        low=-0.36,
        high=-0.105,
        smallest=2.0,
        matters=0.0953,
        verdict="bigger_than_matters",
    )
    assert said == (
        "“In steps” took 20 % less time on average than “At once” over nine households (range −30 % to −10 %); that is "
        "more than the 2.0 days (10 % here) that was said to matter."
    )


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        ("apparent_attenuation_percent", "attenuated 3.0 percentage points less on average than"),
        ("abv_percent", "came to 3.00 % vol less on average than"),
        ("pure_alcohol_l_per_kg", "gave 95 % less pure alcohol for its extract on average than"),
        ("ph_end", "ended 3.00 lower in pH on average than"),
        ("haze_ntu", "was 3.000 lower in haze ntu on average than"),
    ],
)
def test_each_outcome_has_its_own_words(outcome, said):
    assert said in measured(outcome, estimate=-3.0, low=-4.0, high=-2.0)


def test_every_outcome_has_words_for_both_directions():
    for words in MEASURED.values():
        assert words.moved(1.0) != words.moved(-1.0)
        assert "{" not in words.moved(1.0)


LIKED = PreferredFigures(
    households=9,
    control=20,
    treatment=70,
    neither=5,
    share=0.78,
    low=0.6,
    high=0.96,
    e_value=120.0,
    lean_control=0,
    lean_treatment=9,
    primary=True,
)


def test_liking_is_said_only_where_the_evidence_shows_it():
    def said(**changed):
        return preferred_answer(replace(LIKED, **changed), "At once", "In steps")

    counts = "“In steps” was preferred 70 times and “At once” 20 times"
    assert said() == f"“In steps” is liked better than “At once”: over nine households, blind, {counts}."
    assert said(share=0.2).startswith("“At once” is liked better than “In steps”")
    assert said(e_value=3.0) == (
        f"Not known yet which is liked better: over nine households, blind, {counts}; the share that prefers the "
        "treatment could be anything from 60 to 96 in 100."
    )
    assert said(households=1).endswith("One household can't speak for the others.")
    assert said(share=None) == "Nobody has said yet which is liked better."


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ((0, 0, 0, 0), "No replication has reported whether both arms finished dry yet."),
        ((1, 0, 0, 0), "One household has reported: both arms finished dry. One household can't speak for the others."),
        (
            (0, 0, 0, 1),
            "One household has reported: neither arm finished dry. One household can't speak for the others.",
        ),
        (
            (0, 0, 1, 0),
            "One household has reported: only “In steps” finished dry. One household can't speak for the others.",
        ),
        (
            (1, 1, 2, 0),
            "Not known yet whether “In steps” finishes dry more or less often than “At once”: of four households only "
            "“In steps” finished dry in two and only “At once” in one.",
        ),
        (
            (0, 0, 12, 0),
            "“In steps” finishes dry more often than “At once”: of twelve households only “In steps” finished dry in "
            "twelve and only “At once” in none.",
        ),
        (
            (0, 12, 0, 1),
            "“At once” finishes dry more often than “In steps”: of thirteen households only “In steps” finished dry in "
            "none and only “At once” in twelve.",
        ),
    ],
)
def test_finishing_dry(counts, said):
    assert dry_answer(pool_pair_counts(PairCounts(*counts)), "At once", "In steps") == said


def test_one_is_never_plural():
    ones = [
        tasted(households=1, correct=1),
        measured(households=1),
        preferred_answer(replace(LIKED, households=1, treatment=1), "At once", "In steps"),
        dry_answer(pool_pair_counts(PairCounts(0, 0, 1, 0)), "At once", "In steps"),
    ]
    for said in ones:
        assert not re.search(r"\b(1|one) (households|times|replications|servings|days)\b", said, re.IGNORECASE)
