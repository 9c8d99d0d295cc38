import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from service.science.pooling.any_time import MEANS, PRECISIONS, Counts, e_process, e_values, log_likelihood_ratios
from service.science.pooling.any_time_t import any_time_path, any_time_t, half_width, log_e_value, spread
from service.science.pooling.betting import betting_interval
from tests.science.pooling.figures import load

SEQUENTIAL = load("sequential.json")
EXAMPLE = SEQUENTIAL["example_triangle"]
ANY_TIME_T = load("any_time_t.json")
THIRD = 1 / 3


def test_random_effects_mixture_path():
    """sequential.json, example_triangle: after ter Schure & Grunwald 2022; grid and path in 40-digit arithmetic."""
    expected = EXAMPLE["random_effects_mixture"]
    assert list(MEANS) == expected["grid_m"]
    assert [*PRECISIONS[:-1], "infinity"] == expected["grid_s"]
    process = e_process(EXAMPLE["correct"], EXAMPLE["n"], THIRD)
    assert process.log_path == pytest.approx(expected["log_e"], rel=1e-10)
    assert process.e_value == pytest.approx(math.exp(expected["log_e"][-1]))
    assert process.largest_e_value == pytest.approx(math.exp(max(expected["log_e"])))
    assert process.p_value == pytest.approx(math.exp(-max(expected["log_e"])))


def test_each_household_factor_is_the_integral_it_stands_for():
    x, n, g = 7, 12, THIRD
    ratios = log_likelihood_ratios(np.array([x]), np.array([n]), np.array([g]))[0]
    cells = [(m, s) for m in MEANS for s in PRECISIONS]
    for (m, s), ratio in zip(cells, ratios, strict=True):
        if s == math.inf:
            p = g + (1 - g) * m
            direct = (p / g) ** x * ((1 - p) / (1 - g)) ** (n - x)
        else:
            direct, _ = integrate.quad(
                lambda t, m=m, s=s: (1 + 2 * t) ** x * (1 - t) ** (n - x) * stats.beta.pdf(t, s * m, s * (1 - m)),
                0,
                1,
                limit=400,
            )
        assert math.exp(ratio) == pytest.approx(direct, rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 30), st.sampled_from([THIRD, 0.5]))
def test_expected_factor_of_a_guessing_household_is_one(n, g):
    """The martingale itself: under guessing the mean of every factor is exactly 1."""
    x = np.arange(n + 1)
    ratios = log_likelihood_ratios(x, np.full(n + 1, n), np.full(n + 1, g))
    assert stats.binom.pmf(x, n, g) @ np.exp(ratios) == pytest.approx(np.ones(24), rel=1e-11)


@pytest.mark.parametrize("share", [1 / 3, 0.4, 0.8])
def test_the_path_is_the_mean_over_all_grid_points(share):
    x, n = np.random.default_rng(3).binomial(12, share, 5000), np.full(5000, 12)
    totals = np.cumsum(log_likelihood_ratios(x, n, np.full(5000, THIRD)), axis=0)
    expected = special.logsumexp(totals, axis=1) - math.log(totals.shape[1])
    for household in (None, np.arange(5000), np.arange(5000)[::-1]):
        assert e_process(x, n, THIRD, household).log_path == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_rows_of_one_household_merge_and_the_order_of_the_others_does_not_change_the_end():
    split = e_process([3, 4, 2, 5], [6, 8, 6, 9], THIRD, [0, 1, 0, 2])
    merged = e_process([4, 5, 5], [8, 9, 12], THIRD)
    assert split.log_e_value == pytest.approx(merged.log_e_value, abs=1e-12)
    assert len(split.log_path) == 4
    alone = e_process([3], [6], THIRD)
    assert split.log_path[0] == pytest.approx(alone.log_e_value, abs=1e-12)


def test_methods_of_one_household_count_apart():
    process = e_process([5, 5], [8, 8], [THIRD, 0.5], [0, 0])
    ratios = log_likelihood_ratios(np.array([5, 5]), np.array([8, 8]), np.array([THIRD, 0.5])).sum(axis=0)
    assert process.e_value == pytest.approx(np.mean(np.exp(ratios)))


def test_no_rows_are_no_evidence_and_overwhelming_evidence_stays_a_number():
    assert e_process([], [], THIRD).e_value == 1.0
    huge = e_process([3000] * 3, [3000] * 3, THIRD)
    assert huge.log_e_value > 2000
    assert math.isfinite(huge.e_value)
    assert 0.0 < huge.p_value < 1e-300


def test_many_different_large_households_are_worked_in_blocks():
    n = np.arange(2000, 2300)
    ratios = log_likelihood_ratios(n // 2, n, np.full(len(n), THIRD))
    one = log_likelihood_ratios(n[150:151] // 2, n[150:151], np.full(1, THIRD))
    assert ratios[150] == pytest.approx(one[0], rel=1e-12)


def test_hedged_capital_interval_at_every_household():
    """sequential.json, hedged_capital_example: Waudby-Smith & Ramdas 2024 JRSS B 86:1."""
    example = SEQUENTIAL["hedged_capital_example"]
    for t, (low, high) in enumerate(example["interval_each_t"], start=1):
        interval = betting_interval(example["X"][:t])
        assert interval.low == pytest.approx(low, abs=1e-10)
        assert interval.high == pytest.approx(high, abs=1e-10)


def test_betting_on_no_household_excludes_nothing_and_on_many_closes_in():
    assert (betting_interval([]).low, betting_interval([]).high) == (0.0, 1.0)
    ones = betting_interval(np.ones(60))
    assert ones.high == 1.0
    assert 0.8 < ones.low < 1.0
    zeros = betting_interval(np.zeros(60))
    assert zeros.low == 0.0
    assert zeros.high == pytest.approx(1.0 - ones.low)


@pytest.mark.parametrize("significance", ANY_TIME_T["half_width"])
def test_any_time_t_half_widths(significance):
    """any_time_t.json: closed form; Lai 1976, Wang & Ramdas, Perez-Ortiz et al. 2024."""
    for k, expected in ANY_TIME_T["half_width"][significance].items():
        width = float(half_width(int(k), float(significance)))
        assert width == (math.inf if expected is None else pytest.approx(expected, rel=1e-9))


def test_any_time_t_worked_example():
    worked = ANY_TIME_T["worked"]
    result = any_time_t(worked["y"])
    assert result.high - result.low == pytest.approx(2 * worked["half_width_95"], rel=1e-8)
    assert (result.high + result.low) / 2 == pytest.approx(worked["mean"], rel=1e-12)
    assert result.e_value == pytest.approx(worked["bf_at_0"], rel=1e-9)
    assert any_time_t(worked["y"], null=-0.002).e_value == pytest.approx(worked["bf_at_minus_0.002"], rel=1e-9)
    # At the interval's own ends the evidence is exactly 1 / alpha.
    sd = spread(np.array(worked["y"]))
    assert math.exp(log_e_value(worked["mean"], sd, 8, result.low)) == pytest.approx(20.0, rel=1e-9)


def test_bayes_factor_is_the_mixture_of_noncentral_t_densities():
    y = np.array(ANY_TIME_T["worked"]["y"])
    t = math.sqrt(len(y)) * y.mean() / y.std(ddof=1)

    def density(effect):
        return stats.nct.pdf(t, len(y) - 1, math.sqrt(len(y)) * effect) * stats.norm.pdf(effect)

    mixed, _ = integrate.quad(density, -8, 8, limit=200)
    assert any_time_t(y).e_value == pytest.approx(mixed / stats.t.pdf(t, len(y) - 1), rel=1e-7)


@pytest.mark.parametrize("values", [[], [1.0], [0.3, 0.3, 0.3], [0.0] * 6, [1e-320] * 5])
def test_any_time_t_withholds_where_values_do_not_differ(values):
    result = any_time_t(values)
    assert (result.low, result.high, result.e_value) == (None, None, None)


def test_any_time_t_has_evidence_before_it_has_a_range():
    result = any_time_t([1.0, 2.0, 1.5])
    assert result.low is None
    assert result.e_value > 1.0


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.lists(
            st.integers(1, 20).flatmap(
                lambda n: st.tuples(st.integers(0, n), st.just(n), st.sampled_from([1 / 3, 0.5]), st.integers(0, 3))
            ),
            min_size=1,
            max_size=8,
        ),
        max_size=4,
    )
)
def test_evidence_of_several_pools_at_once_is_the_end_of_each_path(pools):
    columns = [[np.array(column) for column in zip(*rows, strict=True)] for rows in pools]
    expected = [e_process(*each).e_value for each in columns]
    assert e_values([Counts(*each) for each in columns]) == pytest.approx(expected, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(-40, 40), st.integers(0, 6)), max_size=14))
def test_a_path_of_means_is_the_interval_of_the_households_so_far(rows):
    values = np.array([0.25 * value for value, _ in rows])
    household = np.array([who for _, who in rows], dtype=np.int64)
    path = any_time_path(values, household, 0.9)
    for place in range(len(rows)):
        so_far, who = values[: place + 1], household[: place + 1]
        means = np.array([so_far[who == each].mean() for each in np.unique(who)])
        bound = any_time_t(means, 0.9)
        assert path.mean[place] == pytest.approx(means.mean(), abs=1e-12)
        assert path.low[place] == (-math.inf if bound.low is None else pytest.approx(bound.low, rel=1e-9, abs=1e-9))
        assert path.high[place] == (math.inf if bound.high is None else pytest.approx(bound.high, rel=1e-9, abs=1e-9))


def test_ratios_are_the_sum_over_who_can_tell_by_hand():
    """Two of three right in one household: C(2, j) r^j B(a+j, b+1) / B(a, b), summed over j by the gamma function."""
    ratios = log_likelihood_ratios(np.array([2]), np.array([3]), np.array([1 / 3]))
    by_hand = [
        sum(math.comb(2, j) * 2.0**j * special.beta(s * m + j, s * (1 - m) + 1) for j in range(3))
        / special.beta(s * m, s * (1 - m))
        if s < math.inf
        else (1 + 2 * m) ** 2 * (1 - m)
        for m in MEANS
        for s in PRECISIONS
    ]
    assert np.exp(ratios[0]) == pytest.approx(by_hand, rel=1e-12)
