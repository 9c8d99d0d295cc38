import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from service.science import binomial


def exact_log_upper_tail(count, trials, probability):
    p = Fraction(probability)
    total = sum(math.comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(count, trials + 1))
    return math.log(total.numerator) - math.log(total.denominator)


@pytest.mark.parametrize("probability", [1 / 3, 1 / 2, 0.9])
def test_tails_equal_scipys_distribution(probability):
    n = np.repeat(np.arange(1, 60), 60)
    x = np.tile(np.arange(0, 60), 59)
    n, x = n[x <= n], x[x <= n]
    assert np.allclose(
        binomial.upper_tail(x, n, probability), stats.binom.sf(x - 1, n, probability), rtol=1e-11, atol=0
    )
    assert np.allclose(binomial.lower_tail(x, n, probability), stats.binom.cdf(x, n, probability), rtol=1e-11, atol=0)


@pytest.mark.parametrize(("count", "trials"), [(1000, 1000), (900, 1000), (1199, 1200), (800, 1000), (8, 12)])
def test_logarithms_of_tails_go_on_past_underflow(count, trials):
    expected = exact_log_upper_tail(count, trials, 0.25)
    assert float(binomial.log_upper_tail(count, trials, 0.25)) == pytest.approx(expected, rel=1e-12)


def test_far_and_near_tails_share_a_column():
    found = binomial.log_upper_tail(np.array([8.0, 1000.0]), np.array([12.0, 1000.0]), 0.25)
    assert found == pytest.approx([exact_log_upper_tail(8, 12, 0.25), 1000 * math.log(0.25)], rel=1e-12)


def test_limits_equal_statsmodels():
    from statsmodels.stats.proportion import proportion_confint  # noqa: PLC0415  (slow to load; one test needs it)

    for trials in (1, 2, 12, 100):
        x = np.arange(trials + 1)
        low, high = binomial.clopper_pearson(x, float(trials), 0.9)
        expected = proportion_confint(x, trials, alpha=0.1, method="beta")
        assert np.allclose(low, expected[0], atol=1e-12)
        assert np.allclose(high, expected[1], atol=1e-12)


@pytest.mark.parametrize("probability", [1 / 3, 1 / 2, 0.05])
@pytest.mark.parametrize("tail", [0.5, 0.05, 0.001, 1e-6])
def test_the_fewest_count_is_the_first_whose_tail_is_small_enough(probability, tail):
    n = np.arange(1, 700)
    fewest = binomial.fewest_count(n, np.asarray(probability), np.asarray(tail))
    assert np.all((fewest == n + 1) | (stats.binom.sf(fewest - 1, n, probability) <= tail * (1 + 1e-9)))
    assert np.all(stats.binom.sf(fewest - 2, n, probability) > tail * (1 + 1e-13))


@pytest.mark.parametrize("probability", [1 / 3, 1 / 2, 0.0, 0.999])
@pytest.mark.parametrize("tail", [0.5, 0.05, 1e-6])
def test_one_count_is_what_a_column_of_them_gives(probability, tail):
    n = np.arange(1, 200)
    many = binomial.fewest_count(n, np.asarray(probability), np.asarray(tail))
    assert [float(binomial.fewest_count(np.asarray(each), probability, tail)) for each in n] == many.tolist()


def test_an_overwhelming_e_value_stays_a_number():
    log_e = binomial.log_mixture_e_value(np.array([1e6]), np.array([1e6]), 1 / 3)
    assert math.isfinite(binomial.e_value_from_log(log_e)[0])
    assert log_e[0] == pytest.approx(1e6 * math.log(3) - math.log(1e6 + 1) + math.log(1.5), rel=1e-12)
