import numpy as np
import pytest
from scipy import stats

from service.science.errors import InputError
from service.science.preference import preference, preference_reading
from tests.science.trial_figures import published_counts, rows


def test_every_published_two_sided_critical_value():
    """Sign test table A-7, two tails."""
    table = [row for row in rows("critical_values.csv") if row["sided"] == "two"]
    assert len(table) == 69
    for row in table:
        decided, alpha = int(row["n"]), float(row["alpha"])
        fewest = published_counts(row)[0]
        if fewest is None:
            assert preference(decided, decided).p_value > alpha
            continue
        assert preference(decided, fewest).p_value <= alpha
        assert preference(decided, decided - fewest).p_value <= alpha
        assert preference(decided, fewest - 1).p_value > alpha


def test_seventeen_of_twenty_four():
    found = preference(24, 17)
    assert found.p_value == pytest.approx(0.06391, abs=5e-6)
    limits = stats.binomtest(17, 24).proportion_ci(method="exact")
    assert found.share_preferring_a.low == pytest.approx(limits.low, abs=1e-10)
    assert found.share_preferring_a.high == pytest.approx(limits.high, abs=1e-10)


def test_answers_without_a_preference_stand_outside():
    with_none, without = preference(30, 17, 6), preference(24, 17)
    assert with_none.p_value == without.p_value
    assert with_none.share_preferring_a == without.share_preferring_a
    assert (with_none.preferred_a, with_none.preferred_b, with_none.no_preference) == (17, 7, 6)


def test_columns_equal_single_calls():
    column = preference(np.array([24, 12, 10]), np.array([17, 0, 10]), np.array([0, 3, 0]))
    for place, arguments in enumerate([(24, 17, 0), (12, 0, 3), (10, 10, 0)]):
        single = preference(*arguments)
        assert column.p_value[place] == single.p_value
        assert column.share_preferring_a.high[place] == single.share_preferring_a.high


@pytest.mark.parametrize(
    ("arguments", "field", "index"),
    [
        ((0, 0), "presented", None),
        ((12, 13), "preferred_a", None),
        ((12, 10, 3), "preferred_a", None),
        ((12, 0, 12), "no_preference", None),
        ((np.array([12, 12]), np.array([0, 0]), np.array([0, 12])), "no_preference", 1),
        ((12, 1.5), "preferred_a", None),
    ],
)
def test_what_is_refused(arguments, field, index):
    with pytest.raises(InputError) as refusal:
        preference(*arguments)
    assert (refusal.value.field, refusal.value.index) == (field, index)


def test_readings():
    open_question = preference_reading(preference(24, 17), a="the slow ferment", b="the quick one")
    assert open_question.startswith("The slow ferment was preferred 17 times in 24.")
    assert "about 1 time in 16" in open_question
    assert "No preference shown, and none ruled out" in open_question
    assert "between 49 and 87 times in 100" in open_question
    leaning = preference_reading(preference(30, 2, 3), a="the slow ferment", b="the quick one")
    assert "The answers lean to the quick one" in leaning
    assert "Left out for having no preference: 3." in leaning


def test_a_lone_answer_and_an_unusual_confidence_are_said():
    words = preference_reading(preference(1, 1, confidence=0.9))
    assert "A toss of a coin splits at least this unevenly always." in words
    assert "Ranges are given at 90 % confidence." in words
