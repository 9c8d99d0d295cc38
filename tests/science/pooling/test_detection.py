import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.science.errors import InputError
from service.science.pooling.collapse import collapse
from service.science.pooling.detection import common_null, floor_estimates_without, floor_model
from service.science.pooling.floor_mixture import FloorMixture
from service.science.pooling.maximum import maximise
from tests.science.pooling.figures import guess_of, load

# Vasospasm proportions: Zhou, Brizendine & Pritz 1999 Stat Med 18:557 (R lme4, 100 nodes, agrees); the triangle,
# duo-trio and preference sets were invented and fitted by two independent quadratures (binomial_random_effects.json).
SETS = load("binomial_random_effects.json")["sets"]
FITTED = {name: case for name, case in SETS.items() if "mle" in case}
THIRD = 1 / 3


@pytest.mark.parametrize("name", FITTED)
def test_maximum_likelihood_of_every_reference_set(name):
    case = FITTED[name]
    fit = floor_model(case["counts_correct"], case["counts_n"], guess_of(case))
    assert fit.log_likelihood == pytest.approx(case["mle"]["loglik"], abs=1e-8)
    assert fit.mu == pytest.approx(case["mle"]["mu"], rel=1e-8)
    assert fit.tau == pytest.approx(case["mle"]["tau"], rel=1e-8)
    # The reference gives 6 digits where its own tau = 0 search stopped; 1e-9 everywhere else.
    assert fit.mean_correct.estimate == pytest.approx(case["mle"]["mean_p"], abs=1e-9)
    assert fit.boundary is None
    assert not fit.below_chance


@pytest.mark.parametrize("name", FITTED)
def test_profile_intervals_of_every_reference_set(name):
    case = FITTED[name]
    ends = case["profile_ci_95"]
    fit = floor_model(case["counts_correct"], case["counts_n"], guess_of(case))
    assert fit.mean_correct.low == pytest.approx(ends["mean_p_lower"], abs=1e-6)
    assert fit.mean_correct.high == pytest.approx(ends["mean_p_upper"], abs=1e-6)
    assert fit.spread.low == pytest.approx(ends["tau_lower"], abs=1e-6)
    # Where the reference gives no upper end, none was reached below tau = 30.
    assert fit.spread.high == pytest.approx(ends.get("tau_upper", math.inf), abs=1e-6)
    lrt = case["lrt_tau_zero"]["p_mixture_half_chi2_0_half_chi2_1"]
    assert fit.spread.p_value == pytest.approx(lrt, rel=1e-6)


@pytest.mark.parametrize("name", [name for name in FITTED if "mean_proportion_discriminating" in FITTED[name]["mle"]])
def test_mean_proportion_discriminating_is_not_that_at_mu(name):
    case = FITTED[name]
    fit = floor_model(case["counts_correct"], case["counts_n"], guess_of(case))
    expected = case["mle"]["mean_proportion_discriminating"]
    assert fit.proportion_discriminating.estimate == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("name", [name for name in SETS if SETS[name]["guess"] != "0"])
def test_nobody_can_tell_is_the_exact_binomial(name):
    case = SETS[name]
    null = common_null(case["counts_correct"], case["counts_n"], guess_of(case))
    assert null.p_value == pytest.approx(case["pooled"]["exact_binomial_p_upper"], rel=1e-10)
    assert null.correct == case["pooled"]["correct"]


def test_nobody_can_tell_over_several_guess_rates_is_a_convolution():
    """several_methods.json: exact convolution, worked with mpmath."""
    case = load("several_methods.json")
    null = common_null(case["correct"], case["presented"], [float(Fraction(g)) for g in case["guess"]])
    assert null.p_value == pytest.approx(case["nobody_can_tell_p"], abs=5e-11)
    assert null.expected_by_chance == pytest.approx(11.0)


def test_convolution_of_three_rates_against_direct_summation():
    mass = np.ones(1)
    for n, g in ((9, THIRD), (7, 0.5), (5, 1 / 6)):
        mass = np.convolve(mass, stats.binom.pmf(np.arange(n + 1), n, g))
    for right in (0, 3, 8, 12, 20, 21):
        x = [min(right, 9), min(max(right - 9, 0), 7), max(right - 16, 0)]
        null = common_null(x, [9, 7, 5], [THIRD, 0.5, 1 / 6])
        assert null.p_value == pytest.approx(mass[right:].sum(), rel=1e-10)
        assert null.lower_tail_p_value == pytest.approx(mass[: right + 1].sum(), rel=1e-10)


def test_tails_beyond_the_range_of_a_double():
    null = common_null([4000] * 3, [4000] * 3, [THIRD, 0.5, 0.5])
    assert null.log10_p_value == pytest.approx(4000 * math.log10(THIRD) + 8000 * math.log10(0.5), rel=1e-12)
    assert 0.0 < null.p_value < 1e-300


def test_all_at_chance_gives_zero_with_an_upper_limit():
    case = SETS["triangle_all_at_chance_6"]
    fit = floor_model(case["counts_correct"], case["counts_n"], THIRD)
    assert fit.log_likelihood == pytest.approx(case["boundary"]["supremum_loglik"], abs=1e-8)
    assert fit.boundary == "at_chance"
    assert (fit.mu, fit.tau, fit.spread.sd) == (None, None, None)
    assert fit.proportion_discriminating.estimate == 0.0
    assert fit.proportion_discriminating.low == 0.0
    # At the boundless spread the share q of sure households obeys 6 log(1 - q) = -chi2/2 here: nobody was all right.
    q = -math.expm1(-stats.chi2.ppf(0.95, 1) / 2 / 6)
    assert fit.proportion_discriminating.high == pytest.approx(q, abs=1e-9)
    assert not fit.below_chance
    assert [each.output for each in fit.withheld] == ["spread"]


def test_all_correct_gives_one_with_a_lower_limit():
    case = SETS["triangle_all_correct_4"]
    fit = floor_model(case["counts_correct"], case["counts_n"], THIRD)
    assert fit.proportion_discriminating.estimate == 1.0
    assert fit.mean_correct.low == pytest.approx(case["pooled"]["clopper_pearson_95"][0], rel=1e-10)
    more = floor_model([12] * 8, [12] * 8, THIRD)
    assert more.boundary == "all_correct"
    assert more.mean_correct.high == 1.0
    assert more.log_likelihood == pytest.approx(0.0, abs=1e-12)
    # At the boundless spread 8 log(q + (1 - q) / 3^12) = -chi2/2.
    target = math.exp(-stats.chi2.ppf(0.95, 1) / 2 / 8)
    q = (target - 3.0**-12) / (1.0 - 3.0**-12)
    assert more.proportion_discriminating.low == pytest.approx(q, abs=1e-9)


def test_a_ridge_keeps_the_mean_and_withholds_mu_and_tau():
    fit = floor_model([12] * 5 + [4] * 5, [12] * 10, THIRD)
    assert fit.boundary == "ridge"
    assert (fit.mu, fit.tau) == (None, None)
    assert fit.proportion_discriminating.estimate == pytest.approx(0.5, abs=1e-5)
    assert fit.proportion_discriminating.low == pytest.approx(1.0 - fit.proportion_discriminating.high, abs=1e-3)
    assert 0.2 < fit.proportion_discriminating.low < 0.3


def test_single_tastings_identify_the_mean_only():
    fit = floor_model([1] * 14 + [0] * 6, [1] * 20, THIRD)
    exact = stats.binomtest(14, 20).proportion_ci(0.95, "exact")
    assert (fit.mean_correct.low, fit.mean_correct.high) == pytest.approx((exact.low, exact.high))
    assert (fit.tau, fit.spread.sd, fit.boundary) == (None, None, "single_presentations")


def test_too_few_tastings_each_withhold_the_spread():
    fit = floor_model([2, 3, 1, 2, 3, 3], [3] * 6, THIRD)
    assert fit.mean_correct.low < fit.mean_correct.estimate < fit.mean_correct.high
    assert (fit.tau, fit.spread.sd) == (None, None)
    assert "four times" in fit.withheld[0].reason


@pytest.mark.parametrize("k", [1, 2, 3, 4])
def test_below_five_households_nothing_is_said_of_the_spread(k):
    x, n = [8, 10, 6, 9][:k], [12, 14, 12, 15][:k]
    fit = floor_model(x, n, THIRD)
    assert fit.mean_correct.estimate == pytest.approx(sum(x) / sum(n))
    assert (fit.tau, fit.spread.sd, fit.boundary) == (None, None, "few_households")
    if k == 2:
        assert fit.mean_correct.low is None
        assert any("low" in each.output for each in fit.withheld)
        return
    exact = stats.binomtest(sum(x), sum(n)).proportion_ci(0.95, "exact")
    assert fit.mean_correct.low <= exact.low + 1e-12
    assert fit.mean_correct.high >= exact.high - 1e-12


def test_three_households_at_least_span_the_households_t():
    x, n = np.array([4, 11, 8]), np.array([12, 12, 12])
    interval = stats.t.interval(0.95, 2, np.mean(x / n), stats.sem(x / n))
    fit = floor_model(x, n, THIRD)
    assert fit.mean_correct.low <= max(0.0, interval[0]) + 1e-12
    assert fit.mean_correct.high >= min(1.0, interval[1]) - 1e-12


def test_an_empty_pool_withholds_everything():
    fit = floor_model([], [], THIRD)
    assert fit.mean_correct.estimate is None
    assert {each.output for each in fit.withheld} == {"proportion_discriminating", "fit", "spread"}
    assert common_null([], [], []).p_value == 1.0


def test_clearly_below_chance_is_flagged():
    assert floor_model([0] * 6, [12] * 6, THIRD).below_chance
    assert not floor_model([3] * 6, [12] * 6, THIRD).below_chance


def test_large_households_are_integrated_as_finely_as_they_need():
    """Against a brute trapezoid of 100 001 points at the same parameters."""
    x, n = np.array([4200, 4600, 4350, 4500, 4400]), np.full(5, 10_000)
    mixture = FloorMixture(collapse(x, n), THIRD)
    z = np.linspace(-10.0, 10.0, 100_001)
    for mu, tau in ((-1.5, 0.9), (-1.8, 2.5), (-1.65, 0.1), (-1.65, 0.012)):
        p = THIRD + (1 - THIRD) / (1 + np.exp(-(mu + tau * z)))
        logs = stats.binom.logpmf(x[:, None], n[:, None], p)
        peak = logs.max(axis=1)
        brute = np.sum(peak + np.log(np.sum(np.exp(logs - peak[:, None]) * stats.norm.pdf(z), axis=1) * (z[1] - z[0])))
        assert mixture.value(np.array([mu]), np.array([tau]))[0] == pytest.approx(brute, abs=1e-8)


def test_derivatives_are_those_of_the_likelihood_and_of_the_mean():
    case = SETS["triangle_mixed_12"]
    mixture = FloorMixture(collapse(np.array(case["counts_correct"]), np.array(case["counts_n"])), THIRD)
    step = 1e-4
    for mu, tau in ((-0.7, 1.3), (-0.2, 0.15), (-3.0, 6.0)):
        grid = {
            (i, j): mixture.surface(np.array([mu + i * step]), np.array([tau + j * step]))
            for i in (-1, 0, 1)
            for j in (-1, 0, 1)
        }
        for name in ("l", "t"):
            f = {key: float(getattr(value, name)[0]) for key, value in grid.items()}
            here = {end: float(getattr(grid[0, 0], name + end)[0]) for end in ("m", "s", "mm", "ms", "ss")}
            assert here["m"] == pytest.approx((f[1, 0] - f[-1, 0]) / (2 * step), rel=1e-5, abs=1e-6)
            assert here["s"] == pytest.approx((f[0, 1] - f[0, -1]) / (2 * step), rel=1e-5, abs=1e-6)
            assert here["mm"] == pytest.approx((f[1, 0] - 2 * f[0, 0] + f[-1, 0]) / step**2, rel=1e-4, abs=1e-4)
            assert here["ss"] == pytest.approx((f[0, 1] - 2 * f[0, 0] + f[0, -1]) / step**2, rel=1e-4, abs=1e-4)
            mixed = (f[1, 1] - f[1, -1] - f[-1, 1] + f[-1, -1]) / (4 * step**2)
            assert here["ms"] == pytest.approx(mixed, rel=1e-4, abs=1e-4)


def test_leaving_one_out_is_the_fit_without_it():
    case = SETS["triangle_mixed_12"]
    x, n = np.array(case["counts_correct"]), np.array(case["counts_n"])
    without = floor_estimates_without(x, n, THIRD, 0.95)
    for i in range(len(x)):
        whole = floor_model(np.delete(x, i), np.delete(n, i), THIRD).proportion_discriminating
        assert without[i].estimate == pytest.approx(whole.estimate, abs=1e-8)
        assert without[i].low == pytest.approx(whole.low, abs=1e-7)
        assert without[i].high == pytest.approx(whole.high, abs=1e-7)


counts = st.lists(
    st.integers(1, 14).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=9
)


@settings(max_examples=40, deadline=None)
@given(counts, st.sampled_from([0.0, THIRD, 0.5]))
def test_any_pool_gives_a_range_about_its_estimate_without_nan(pairs, guess):
    x, n = zip(*pairs, strict=True)
    fit = floor_model(x, n, guess)
    p = fit.mean_correct
    assert 0.0 <= p.estimate <= 1.0
    if p.low is not None:
        assert 0.0 <= p.low <= p.estimate + 1e-9
        assert p.estimate - 1e-9 <= p.high <= 1.0
    assert 0.0 <= fit.proportion_discriminating.estimate <= 1.0
    assert math.isfinite(fit.log_likelihood)


@settings(max_examples=6, deadline=None)
@given(st.permutations(list(range(10))))
def test_the_order_of_households_does_not_matter(order):
    case = SETS["preference_10"]
    x, n = np.array(case["counts_correct"]), np.array(case["counts_n"])
    fit, other = floor_model(x, n, 0.0), floor_model(x[list(order)], n[list(order)], 0.0)
    assert other.mean_correct == fit.mean_correct


def test_the_maximum_is_the_highest_of_several():
    """Nine guessers and one sure household: tau = 0 is a local maximum of the profile, the ridge the higher one."""
    x, n = np.array([4] * 9 + [12]), np.full(10, 12)
    top = maximise(FloorMixture(collapse(x, n), THIRD))
    flat = stats.binom.logpmf(x, n, x.sum() / n.sum()).sum()
    assert top.log_likelihood > flat + 1.0


@pytest.mark.parametrize(
    ("correct", "presented", "guess", "field"),
    [
        ([3], [2], THIRD, "correct"),
        ([1.5], [2], THIRD, "correct"),
        ([1, 2], [0, 2], THIRD, "presented"),
        ([1], [2], 1.0, "guess"),
        ([1], [2], -0.1, "guess"),
    ],
)
def test_counts_that_do_not_agree_are_refused(correct, presented, guess, field):
    with pytest.raises(InputError) as caught:
        floor_model(correct, presented, guess)
    assert caught.value.field == field
