import math

import numpy as np
import pytest
from scipy import stats

from service.science import binomial, single_binomial

COUNTS = [(n, x) for n in (1, 2, 7, 12, 60, 1000) for x in {0, 1, n // 3, n // 2, n - 1, n}]


@pytest.mark.parametrize("probability", [1 / 3, 1 / 2, 0.05])
def test_tails_and_limits_equal_scipys(probability):
    for n, x in COUNTS:
        tail = stats.binom.sf(x - 1, n, probability)
        assert single_binomial.upper_tail(x, n, probability) == pytest.approx(tail, rel=1e-11)
        assert single_binomial.lower_tail(x, n, probability) == pytest.approx(
            stats.binom.cdf(x, n, probability), rel=1e-11
        )
        limits = stats.binomtest(x, n).proportion_ci(confidence_level=0.9, method="exact")
        assert single_binomial.lower_limit(x, n, 0.05) == pytest.approx(limits.low, abs=1e-10)
        assert single_binomial.upper_limit(x, n, 0.05) == pytest.approx(limits.high, abs=1e-10)


def test_counts_beyond_the_ends():
    assert single_binomial.upper_tail(-1.0, 12.0, 0.5) == 1.0
    assert single_binomial.upper_tail(13.0, 12.0, 0.5) == 0.0
    assert single_binomial.log_upper_tail(3.0, 12.0, 0.0) == -math.inf


@pytest.mark.parametrize("probability", [1 / 3, 1 / 2])
def test_one_trial_is_what_a_column_gives(probability):
    n, x = (np.array(column, dtype=np.float64) for column in zip(*COUNTS, (1200, 1199), (100_000, 8), strict=True))
    for name in ("upper_tail", "lower_tail", "log_upper_tail", "log_mixture_e_value"):
        many = getattr(binomial, name)(x, n, probability)
        one = [getattr(single_binomial, name)(*row, probability) for row in zip(x.tolist(), n.tolist(), strict=True)]
        assert many.tolist() == pytest.approx(one, rel=1e-13), name


def test_a_tail_equal_to_the_limit_counts():
    assert single_binomial.fewest_count(3.0, 0.5, 0.125) == 3.0
    assert single_binomial.fewest_count(2.0, 0.5, 0.125) == 2.0 + 1.0


def test_an_overwhelming_e_value_stays_a_number():
    assert math.isfinite(single_binomial.e_value_from_log(1e6))
