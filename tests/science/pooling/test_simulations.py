"""Seeded simulations against rates found elsewhere (sequential.json, any_time_t.json, one_batch_per_arm.md).

Each allows four standard errors of both runs together. Minutes long: run with -m simulation.
"""

import math

import numpy as np
import pytest
from scipy import special, stats

from service.science.pooling.any_time import log_likelihood_ratios
from service.science.pooling.any_time_t import half_width
from service.science.pooling.betting import betting_interval
from service.science.pooling.collapse import collapse
from service.science.pooling.floor_mixture import FloorMixture
from service.science.pooling.maximum import maximise
from service.science.pooling.random_effects import limits, pools, prediction, scaled
from tests.science.pooling.figures import load

pytestmark = pytest.mark.simulation

SEQUENTIAL = load("sequential.json")
ANY_TIME_T = load("any_time_t.json")
NULLS = load("binomial_random_effects.json")["about"]["null_simulation"]
THIRD = 1 / 3


def close(found, runs, expected, other_runs):
    """Say whether two simulated shares agree within four standard errors."""
    spread = math.sqrt(max(expected * (1 - expected), 0.25 / runs) * (1 / runs + 1 / other_runs))
    return abs(found - expected) <= 4 * spread


def paths(correct, presented, guess):
    """Give log e-values of runs by households."""
    table = log_likelihood_ratios(
        np.arange(presented + 1), np.full(presented + 1, presented), np.full(presented + 1, guess)
    )
    totals = np.cumsum(table[correct], axis=1)
    return special.logsumexp(totals, axis=2) - math.log(table.shape[1])


@pytest.mark.parametrize(("guess", "presented"), [(THIRD, 12), (THIRD, 6), (0.5, 12), (0.5, 6)])
def test_guessers_are_called_tellers_as_rarely_as_promised(guess, presented):
    name = f"guess {'1/3' if guess < 0.4 else '1/2'}, {presented} tastings per household"
    expected = SEQUENTIAL["false_positive_simulation_no_difference"][name]["e_process_random_effects_mixture_50_looks"]
    runs = 20_000
    rng = np.random.default_rng(101)
    ever = [
        paths(rng.binomial(presented, guess, (2000, 50)), presented, guess).max(axis=1) >= math.log(20)
        for _ in range(runs // 2000)
    ]
    assert close(np.mean(ever), runs, expected, 40_000)
    assert np.mean(ever) < 0.05


SCENARIOS = {
    "every household p_d=0.10": lambda _, size: np.full(size, 0.10),
    "every household p_d=0.20": lambda _, size: np.full(size, 0.20),
    "every household p_d=0.30": lambda _, size: np.full(size, 0.30),
    "p_d=0 for 80% and 0.6 for 20% of households": lambda rng, size: 0.6 * (rng.random(size) < 0.2),
    "theta~Beta(0.5,2), mean 0.2": lambda rng, size: rng.beta(0.5, 2, size),
}


@pytest.mark.parametrize("name", SCENARIOS)
def test_tellers_are_found_as_often_as_promised(name):
    expected = SEQUENTIAL["power_simulation"]["results"][name]["random_effects_mixture"]
    rng = np.random.default_rng(102)
    runs = 8000
    crossed = []
    for _ in range(runs // 2000):
        share = SCENARIOS[name](rng, (2000, 50))
        path = paths(rng.binomial(12, THIRD + (1 - THIRD) * share), 12, THIRD)
        crossed.append(np.maximum.accumulate(path, axis=1) >= math.log(20))
    crossed = np.concatenate(crossed)
    for households in (10, 20, 50):
        assert close(crossed[:, households - 1].mean(), runs, expected[f"power_by_{households}"], 20_000)


@pytest.mark.parametrize(
    ("name", "draw"),
    [
        ("homogeneous p=0.5", lambda _: np.full(50, 0.5)),
        ("theta~Beta(0.5,1.5): mean p=1/2", lambda rng: THIRD + (1 - THIRD) * rng.beta(0.5, 1.5, 50)),
        ("mixture p=1/3 (75%) or 1 (25%): mean p=1/2", lambda rng: np.where(rng.random(50) < 0.25, 1.0, THIRD)),
    ],
)
def test_the_betting_interval_hardly_ever_leaves_out_the_mean(name, draw):
    figures = SEQUENTIAL["confidence_sequence_coverage"]["results"][name]
    rng = np.random.default_rng(103)
    runs, looks = 250, (3, 5, 8, 10, 15, 20, 30, 40, 50)
    missed, widths = 0, {look: [] for look in (5, 10, 20, 50)}
    for _ in range(runs):
        x = rng.binomial(12, draw(rng)) / 12
        intervals = {look: betting_interval(x[:look]) for look in looks}
        missed += any(not each.low <= 0.5 <= each.high for each in intervals.values())
        for look, found in widths.items():
            found.append(intervals[look].high - intervals[look].low)
    expected = figures["ever_excludes_true_mean"]["hedged_capital_on_household_proportions"]
    assert missed / runs <= expected + 4 * math.sqrt(max(expected, 0.004) / runs)
    # The reference averaged the widths of twelve runs only.
    for found, width in zip(widths.values(), figures["hedged_mean_width_at_5_10_20_50"], strict=True):
        assert np.mean(found) == pytest.approx(width, rel=0.12)


def ever_missed(values, truth, first=3):
    """Find the runs in which the any-time t interval leaves out the truth at some count from `first` on."""
    k = np.arange(1, values.shape[1] + 1)
    mean = np.cumsum(values, axis=1) / k
    squares = np.cumsum(values**2, axis=1) - k * mean**2
    sd = np.sqrt(np.maximum(squares, 0) / np.maximum(k - 1, 1))
    reach = np.where(k < 2, np.inf, half_width(np.maximum(k, 2), 0.05))
    with np.errstate(invalid="ignore"):
        outside = np.abs(mean - truth) > sd * reach + 1e-9
    return outside[:, first - 1 :].any(axis=1)


@pytest.mark.parametrize(
    ("name", "draw"),
    [
        ("normal", lambda rng, size: rng.normal(0, 1, size)),
        ("t_3_df", lambda rng, size: rng.standard_t(3, size)),
        ("shifted_exponential", lambda rng, size: rng.exponential(1, size) - 1),
    ],
)
def test_the_any_time_t_interval_covers_at_every_look(name, draw):
    expected = ANY_TIME_T["simultaneous_coverage_95_k_3_to_50"][name]
    found = 1 - ever_missed(draw(np.random.default_rng(104), (20_000, 50)), 0.0).mean()
    assert close(found, 20_000, expected, 20_000)


@pytest.mark.parametrize(
    ("name", "draw", "truth"),
    [
        ("pure_guessers", lambda _, size: np.zeros(size), 0.0),
        ("beta_0.5_1.5", lambda rng, size: rng.beta(0.5, 1.5, size), 0.25),
        ("30_percent_perfect", lambda rng, size: (rng.random(size) < 0.3) * 1.0, 0.3),
    ],
)
def test_the_any_time_t_interval_of_household_proportions(name, draw, truth):
    """Triangle, 12 presentations each, from 8 households on as the service gives it: never below the reference."""
    expected = ANY_TIME_T["simultaneous_coverage_95_triangle_proportions_12_each"][name]
    rng = np.random.default_rng(105)
    shares = rng.binomial(12, THIRD + (1 - THIRD) * draw(rng, (20_000, 50))) / 12
    found = 1 - ever_missed(shares, THIRD + (1 - THIRD) * truth, first=8).mean()
    assert found >= expected - 4 * math.sqrt(expected * (1 - expected) / 10_000)


# one_batch_per_arm.md: coverage of nominal 95 % intervals, 20 000 runs each, by k: t on differences, common effect,
# DL Wald, REML Wald, REML Hartung-Knapp, the same with q at least 1.
COVERAGE = {
    ("B", 3): (0.951, 0.241, 0.780, 0.789, 0.910, 0.935),
    ("B", 5): (0.951, 0.202, 0.843, 0.860, 0.928, 0.935),
    ("B", 10): (0.951, 0.170, 0.895, 0.915, 0.946, 0.950),
    ("D", 5): (0.961, 0.265, 0.856, 0.868, 0.932, 0.943),
    ("E", 5): (0.917, 0.200, 0.787, 0.804, 0.870, 0.882),
    ("F", 5): (0.978, 0.950, 0.965, 0.963, 0.949, 0.997),
    ("F", 10): (0.970, 0.949, 0.964, 0.961, 0.953, 0.985),
}
HOUSEHOLDS = {
    "B": lambda rng, k: rng.normal(0, 2, k),
    "D": lambda rng, k: rng.standard_t(3, k) * 2 / math.sqrt(3),
    "E": lambda rng, k: 2 * (rng.exponential(1, k) - 1),
    "F": lambda _, k: np.zeros(k),
}


@pytest.mark.parametrize("scenario", COVERAGE)
def test_one_batch_for_each_arm(scenario):
    name, k = scenario
    rng = np.random.default_rng(106)
    runs = 1500
    hits = np.zeros(6)
    for _ in range(runs):
        error = rng.choice([0.2, 0.5, 1.5], k)
        y = HOUSEHOLDS[name](rng, k) + rng.normal(0, error)
        data = scaled(y, error)
        found = [limits(pools(scaled(y, np.zeros(k)), "reml", "all"), "hartung_knapp", 0.95)]
        found += [limits(pools(data, each, "all"), "wald", 0.95) for each in ("common", "dersimonian_laird", "reml")]
        reml = pools(data, "reml", "all")
        found += [limits(reml, each, 0.95) for each in ("hartung_knapp", "hartung_knapp_modified")]
        hits += [float(each.low[0] <= 0.0 <= each.high[0]) for each in found]
    for hit, expected in zip(hits / runs, COVERAGE[scenario], strict=True):
        assert close(hit, runs, expected, 20_000)


@pytest.mark.parametrize(("k", "student", "higgins", "newer"), [(5, 0.949, 0.922, 0.900), (10, 0.950, 0.921, 0.917)])
def test_the_next_household_is_predicted_as_often_as_promised(k, student, higgins, newer):
    rng = np.random.default_rng(107)
    runs = 1500
    hits = np.zeros(3)
    for _ in range(runs):
        error = rng.choice([0.2, 0.5, 1.5], k + 1)
        y = rng.normal(0, 2, k + 1) + rng.normal(0, error)
        pool = pools(scaled(y[:k], error[:k]), "reml", "all")
        reach = stats.t.ppf(0.975, k - 1) * y[:k].std(ddof=1) * math.sqrt(1 + 1 / k)
        ranges = [(y[:k].mean() - reach, y[:k].mean() + reach)]
        ranges += [prediction(pool, each, 0.95) for each in ("higgins_2009", "hartung_knapp_k_minus_1")]
        hits += [float(low <= y[k] <= high) for low, high in ranges]
    for hit, expected in zip(hits / runs, (student, higgins, newer), strict=True):
        assert close(hit, runs, expected, 20_000)


@pytest.mark.parametrize(("households", "presented", "guess"), [(6, 12, THIRD), (12, 12, 0.5), (12, 24, THIRD)])
def test_the_likelihood_ratio_against_guessing_is_zero_about_half_the_time(households, presented, guess):
    name = f"guess {'1/3' if guess < 0.4 else '1/2'}, {households} households of {presented}"
    expected = NULLS[name]
    rng = np.random.default_rng(108)
    runs = 800
    ratios = np.empty(runs)
    n = np.full(households, presented)
    for i in range(runs):
        x = rng.binomial(presented, guess, households)
        none = stats.binom.logpmf(x, presented, guess).sum()
        ratios[i] = 2 * (maximise(FloorMixture(collapse(x, n), guess)).log_likelihood - none)
    assert ratios.min() > -1e-7
    assert close(np.mean(ratios < 1e-6), runs, expected["share_zero"], 20_000)
    assert close(np.mean(ratios > 2.706), runs, expected["rejection_if_half_half_mixture_2p706"], 20_000)
    assert close(np.mean(ratios > 3.841), runs, expected["rejection_if_chi2_1_3p841"], 20_000)
