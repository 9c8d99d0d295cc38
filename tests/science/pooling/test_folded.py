import math

import numpy as np
import pytest
from scipy import stats

from service.science import psychometric
from service.science.pooling.collapse import collapse
from service.science.pooling.folded import FoldedMixture, folded_model
from tests.science.pooling.figures import load

SETS = load("binomial_random_effects.json")["sets"]
FOLDED = {name: case for name, case in SETS.items() if "folded" in case.get("dprime_models", {})}


def _distinct(case):
    return collapse(np.array(case["counts_correct"]), np.array(case["counts_n"]))


@pytest.mark.parametrize("name", FOLDED)
def test_maximum_likelihood_of_the_folded_model(name):
    """binomial_random_effects.json, dprime_models: d' ~ N(mu, tau^2), p = f_triangle(|d'|), by two quadratures."""
    expected = FOLDED[name]["dprime_models"]["folded"]
    fit = folded_model(_distinct(FOLDED[name]), ("triangle",))
    assert fit.log_likelihood == pytest.approx(expected["mle"]["loglik"], abs=1e-8)
    assert fit.mu == pytest.approx(expected["mle"]["mu"], abs=2e-8)
    assert fit.tau == pytest.approx(expected["mle"]["tau"], abs=2e-8)
    assert fit.log_likelihood_without_spread == pytest.approx(expected["tau0_fit"]["loglik"], abs=1e-8)
    ends = expected.get("profile_ci_95", {})
    if "tau_lower" in ends:
        assert fit.spread.low == pytest.approx(ends["tau_lower"], abs=1e-6)
        assert fit.spread.high == pytest.approx(ends["tau_upper"], abs=1e-6)


@pytest.mark.parametrize("name", FOLDED)
def test_ends_of_the_mean_absolute_d_prime_lie_on_the_contour_and_nothing_on_it_lies_beyond(name):
    """The profile of E|d'| has no published figure: its definition is checked on a fine grid of (mu, tau)."""
    mixture = FoldedMixture(_distinct(FOLDED[name]), ("triangle",))
    fit = folded_model(mixture.distinct, ("triangle",))
    level = fit.log_likelihood - stats.chi2.ppf(0.95, 1) / 2
    mu, tau = (a.ravel() for a in np.meshgrid(np.linspace(0, 5, 41), np.linspace(0.05, 9, 90)))
    inside = mixture.value(mu, tau) >= level
    means = mixture.mean(mu, tau)[inside]
    assert fit.mean_d_prime.low - 1e-9 <= means.min() <= fit.mean_d_prime.low + 0.1
    assert fit.mean_d_prime.high - 0.1 <= means.max() <= fit.mean_d_prime.high + 1e-9


def test_mean_absolute_value_and_its_derivatives():
    mixture = FoldedMixture(collapse(np.array([5]), np.array([9])), ("triangle",))
    folded = stats.foldnorm(1.3 / 0.8, scale=0.8)
    mu, tau, step = np.array([1.3]), np.array([0.8]), 1e-4
    value, by_mu, by_tau, *_ = (float(part[0]) for part in mixture.mean_parts(mu, tau, np.zeros((5, 1))))
    assert value == pytest.approx(folded.mean(), rel=1e-12)
    up, down = (float(mixture.mean(mu + s, tau)[0]) for s in (step, -step))
    assert by_mu == pytest.approx((up - down) / (2 * step), rel=1e-6)
    up, down = (float(mixture.mean(mu, tau + s)[0]) for s in (step, -step))
    assert by_tau == pytest.approx((up - down) / (2 * step), rel=1e-6)


def test_several_methods_without_spread_is_the_common_d_prime():
    """several_methods.json: one d' for three methods, by maximum likelihood, worked with mpmath."""
    case = load("several_methods.json")
    counts = (np.array(case["correct"]), np.array(case["presented"]), np.arange(3))
    mixture = FoldedMixture(collapse(*counts), tuple(case["methods"]))
    best = mixture.best_without_spread()
    assert best == pytest.approx(case["common_d_prime"], abs=5e-6)
    top, none = mixture.without_spread(np.array([best, 0.0]))
    assert 2 * (top - none) == pytest.approx(case["likelihood_ratio"], abs=5e-6)
    ends = mixture.without_spread(np.array(case["profile_95"]))
    assert ends == pytest.approx(top - stats.chi2.ppf(0.95, 1) / 2, abs=2e-5)


def test_methods_that_fold_and_methods_that_do_not_share_one_d_prime():
    """Even functions are flat at 0 and directional ones are not; the maximum is that of their sum."""
    methods = ("triangle", "two_afc", "three_afc")
    for correct in ([14, 12, 6], [4, 3, 3], [5, 11, 2], [11, 4, 2]):
        mixture = FoldedMixture(collapse(np.array(correct), np.array([24, 16, 12]), np.arange(3)), methods)
        best = mixture.best_without_spread()
        grid = np.linspace(0, 6, 60_001)
        heights = mixture.without_spread(grid)
        assert best == pytest.approx(grid[np.argmax(heights)], abs=1.5e-4)
        assert mixture.without_spread(np.array([best]))[0] >= heights.max() - 1e-12


@pytest.mark.parametrize("method", ["triangle", "duo_trio", "two_afc", "three_afc", "tetrad"])
@pytest.mark.parametrize(("mu", "tau"), [(0.0, 1.0), (1.2, 0.7), (0.4, 0.05), (2.0, 5.0)])
def test_quadrature_against_brute_force(method, mu, tau):
    x, n = np.array([9, 3, 12, 40]), np.array([18, 12, 12, 60])
    mixture = FoldedMixture(collapse(x, n), (method,))
    panels = np.unique(np.concatenate((np.linspace(-9, 9, 400), [-mu / tau])))
    nodes, weights = np.polynomial.legendre.leggauss(12)
    z = (panels[:-1, None] + np.diff(panels)[:, None] * (nodes + 1) / 2).ravel()
    w = (np.diff(panels)[:, None] * weights / 2).ravel()
    p = psychometric.proportion_correct(method, np.abs(mu + tau * z))
    mass = stats.binom.pmf(x[:, None], n[:, None], p) * stats.norm.pdf(z)
    brute = np.sum(np.log(mass @ w))
    assert mixture.value(np.array([mu]), np.array([tau]))[0] == pytest.approx(brute, abs=1e-9)


def test_all_correct_has_no_upper_limit_and_all_at_chance_is_zero():
    perfect = folded_model(collapse(np.full(6, 8), np.full(6, 8)), ("triangle",))
    assert perfect.mean_d_prime.estimate == math.inf
    assert perfect.mean_d_prime.high == math.inf
    assert 2.0 < perfect.mean_d_prime.low < 10.0
    guessing = folded_model(collapse(np.full(6, 3), np.full(6, 12)), ("triangle",))
    assert guessing.mean_d_prime.estimate == 0.0
    assert guessing.mean_d_prime.low == 0.0
    assert 0.0 < guessing.mean_d_prime.high < 2.0


def test_a_pass_at_mu_0_is_not_taken_for_the_top():
    """Found by searching random pools: along mu = 0 the surface is flat, and its top lies a little beside."""
    correct = np.array([25, 8, 19, 16, 14, 20, 2, 16, 3])
    presented = np.array([26, 20, 35, 20, 31, 32, 5, 24, 3])
    distinct = collapse(correct, presented, np.array([0, 1, 0, 1, 1, 0, 1, 1, 1]))
    methods = ("tetrad", "three_afc")
    fit = folded_model(distinct, methods)
    mu, tau = (a.ravel() for a in np.meshgrid(np.linspace(0, 2, 41), np.linspace(0.5, 2.5, 81)))
    assert fit.mu > 0.3
    assert fit.log_likelihood >= FoldedMixture(distinct, methods).value(mu, tau).max() - 1e-9
