"""What the arithmetic takes, beside another program's where there is one."""

from collections.abc import Callable, Iterator

import numpy as np
from statsmodels.stats.meta_analysis import combine_effects

from service.science.ethanol_water import abv_from_density
from service.science.pooling.any_time import e_process
from service.science.pooling.detection import floor_model
from service.science.pooling.differences import DifferenceStudy, pool_differences
from service.science.pooling.random_effects import heterogeneity, limits, pools, scaled, tau2_interval
from service.science.pooling.trials import TrialStudy, pool_trials
from tests.benchmarks.rows import Row, Target, at_least, at_most, grouped, milliseconds
from tests.benchmarks.timing import shortest
from tests.benchmarks.workshop import Workshop

TRIANGLE = 1 / 3
PRESENTED = 12
BESIDE = {10: 4.0, 1000: 4.0, 100_000: 15.0}


def measure(shop: Workshop) -> Iterator[Row]:
    for count in shop.sizes.households:
        yield from _dersimonian_laird(shop, count)
    many, few = shop.sizes.households[-1], shop.sizes.left_out
    yield _alone(shop, f"REML with its intervals, {grouped(many)} households", _reml(many), at_most(15))
    yield _alone(shop, f"REML without each of {grouped(few)} households", _without_each(few), at_most(15))
    for name, told_apart in (("a real effect", 0.5), ("pure guessers", 0.0)):
        what = f"guessing-floor model, {grouped(many)} households, {name}"
        yield _alone(shop, what, _floor(many, told_apart), at_most(60))
    for count in shop.sizes.households[1:]:
        yield _e_process(shop, count)
    yield from _strengths(shop, shop.sizes.values)
    yield from _blocks(shop)


def _alone(shop: Workshop, what: str, work: Callable[[], object], target: Target | None = None) -> Row:
    (seconds,) = shortest(work, seconds=shop.sizes.seconds)
    return milliseconds(what, seconds, target)


def _values(count: int) -> tuple[np.ndarray, np.ndarray]:
    draw = np.random.default_rng(1)
    error = draw.uniform(0.5, 1.5, count)
    return draw.normal(0.5, 1.0, count) + error * draw.normal(size=count), error


def _dersimonian_laird(shop: Workshop, count: int) -> Iterator[Row]:
    value, error = _values(count)
    variance = error**2

    def ours() -> None:
        data = scaled(value, error)
        pool = pools(data, "dersimonian_laird", "all")
        limits(pool, "hartung_knapp", 0.95)
        heterogeneity(data, float(pool.tau2[0]))

    def other() -> object:
        return combine_effects(value, variance, method_re="chi2")

    def other_with_intervals() -> object:
        return other().conf_int()

    def other_with_table() -> object:
        return other().summary_frame()

    works = (ours, other_with_table, other_with_intervals, other)
    mine, with_table, with_intervals, alone = shortest(*works, seconds=2 * shop.sizes.seconds)
    # Ours comes to a mean, its interval, the spread and Q, `conf_int` to as much; the table adds a line a household.
    for what, seconds, target in (
        ("combine_effects with its table", with_table, at_least(BESIDE.get(count, 4.0))),
        ("combine_effects with its intervals", with_intervals, None),
        ("combine_effects alone", alone, None),
    ):
        note = f"{grouped(mine * 1e6)} µs to {grouped(seconds * 1e6)} µs"
        yield Row(f"DerSimonian-Laird, {grouped(count)} households, beside {what}", seconds / mine, "x", target, note)


def _reml(count: int) -> Callable[[], object]:
    value, error = _values(count)

    def work() -> None:
        data = scaled(value, error)
        limits(pools(data, "reml", "all"), "hartung_knapp_modified", 0.95)
        tau2_interval(data, 0.95)

    return work


def _without_each(count: int) -> Callable[[], object]:
    value, error = _values(count)

    def work() -> object:
        return limits(pools(scaled(value, error), "reml", "without_each"), "hartung_knapp_modified", 0.95)

    return work


def _counts(count: int, told_apart: float) -> np.ndarray:
    draw = np.random.default_rng(2)
    able = told_apart and 1 / (1 + np.exp(-draw.normal(0.0, 0.8, count)))
    return draw.binomial(PRESENTED, TRIANGLE + (1 - TRIANGLE) * told_apart * able, count)


def _floor(count: int, told_apart: float) -> Callable[[], object]:
    correct, presented = _counts(count, told_apart), np.full(count, PRESENTED)
    return lambda: floor_model(correct, presented, TRIANGLE)


def _e_process(shop: Workshop, count: int) -> Row:
    correct, presented = _counts(count, 0.5), np.full(count, PRESENTED)
    (seconds,) = shortest(lambda: e_process(correct, presented, TRIANGLE), seconds=shop.sizes.seconds)
    return Row(f"a step of the e-process, of {grouped(count)}", seconds / count * 1e6, "µs", at_most(5))


def _strengths(shop: Workshop, count: int) -> Iterator[Row]:
    density = np.linspace(800.0, 990.0, count)
    temperature = np.linspace(10.0, 30.0, count)
    what = f"density to strength, {grouped(count)} values"
    yield _alone(shop, f"{what} at 20 °C", lambda: abv_from_density(density, 20.0), at_most(250))
    yield _alone(shop, f"{what}, each at its own temperature", lambda: abv_from_density(density, temperature))


def _blocks(shop: Workshop) -> Iterator[Row]:
    """Whole results, as the calculators give them."""
    count = shop.sizes.left_out
    value, error = _values(count)
    correct = _counts(count, 0.5)
    differences = [DifferenceStudy(str(i), value[i], standard_error=error[i]) for i in range(count)]
    trials = [TrialStudy(str(i), "triangle", PRESENTED, int(correct[i])) for i in range(count)]
    households = f"{grouped(count)} households"
    yield _alone(shop, f"the whole block of differences, {households}", lambda: pool_differences(differences))
    yield _alone(shop, f"the whole block of trials, {households}", lambda: pool_trials(trials))
