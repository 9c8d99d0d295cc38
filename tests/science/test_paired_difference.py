import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar

from service.science.paired_difference import tango_interval, two_sided_p_value
from tests.science.trial_figures import rows

PAIRS = rows("paired_differences.csv")


@pytest.mark.parametrize("row", PAIRS, ids=lambda row: row["name"])
def test_published_pairs(row):
    both, only_a, only_b, neither = (float(row[name]) for name in ("both", "only_a", "only_b", "neither"))
    p_value = two_sided_p_value(np.asarray(min(only_a, only_b)), np.asarray(only_a + only_b))
    assert float(p_value) == pytest.approx(float(row["mcnemar_exact_p"]), rel=1e-10)
    if only_a + only_b:
        assert float(p_value) == pytest.approx(
            mcnemar([[both, only_a], [only_b, neither]], exact=True).pvalue, rel=1e-10
        )
    low, high = tango_interval(
        np.asarray(only_a), np.asarray(only_b), np.asarray(both + only_a + only_b + neither), 0.95
    )
    assert float(low) == pytest.approx(float(row["tango_low"]), abs=1e-9)
    assert float(high) == pytest.approx(float(row["tango_high"]), abs=1e-9)


def test_columns_of_intervals_turn_over_with_their_arms():
    only_a, only_b = np.array([0.0, 3.0, 10.0, 0.0]), np.array([4.0, 3.0, 0.0, 0.0])
    pairs = np.array([12.0, 6.0, 10.0, 1.0])
    low, high = tango_interval(only_a, only_b, pairs, 0.9)
    back_low, back_high = tango_interval(only_b, only_a, pairs, 0.9)
    assert np.allclose(low, -back_high, atol=1e-12)
    assert np.allclose(high, -back_low, atol=1e-12)
    assert np.all((low >= -1.0) & (high <= 1.0) & (low <= high))


def test_two_sided_p_values_equal_scipys():
    for decided in range(1, 30):
        for first in range(decided + 1):
            expected = stats.binomtest(first, decided, 0.5).pvalue
            found = two_sided_p_value(np.asarray(float(min(first, decided - first))), np.asarray(float(decided)))
            assert float(found) == pytest.approx(expected, rel=1e-9)
