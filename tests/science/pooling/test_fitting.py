"""Fits in step are the fits one by one, and no point of the model lies beyond the ends that they find."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.pooling.collapse import collapse
from service.science.pooling.fitting import fit, refit_means
from service.science.pooling.floor_mixture import FloorMixture
from service.science.pooling.folded import FoldedMixture
from service.science.pooling.maximum import highest
from service.science.pooling.profile import _bracketed
from service.science.pooling.together import run, run_together

FALL = 0.5 * 1.959963984540054**2
THIRD = 1.0 / 3.0


def floor(correct, presented):
    return FloorMixture(collapse(np.array(correct), np.array(presented)), THIRD)


def folded(correct, presented):
    return FoldedMixture(collapse(np.array(correct), np.array(presented)), ("triangle",))


counts = st.lists(
    st.integers(2, 24).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=5, max_size=14
).map(lambda pairs: tuple(map(list, zip(*pairs, strict=True))))


def searched(mixture, mus, taus, level):
    """The least and the largest mean on a grid of the whole model, of points that reach the level."""
    mu, tau = (each.ravel() for each in np.meshgrid(mus, taus))
    reached = mixture.value(mu, tau) >= level
    means = mixture.mean(mu[reached], tau[reached])
    return (means.min(), means.max()) if len(means) else (np.inf, -np.inf)


@settings(max_examples=6, deadline=None)
@given(counts)
def test_nothing_on_a_grid_of_the_floor_model_lies_beyond_the_ends(data):
    mixture = floor(*data)
    found = fit(mixture, FALL)
    mean = found.mean
    level = mean.top.log_likelihood - FALL
    taus = np.concatenate(([0.0], np.geomspace(0.05, 25.0, 30)))
    low, high = searched(mixture, np.linspace(-12.0, 12.0, 61), taus, level + 1e-9)
    assert mean.low.value <= low + 1e-9
    assert mean.high.value >= high - 1e-9
    assert found.tau_low.value <= found.tau_high.value


@settings(max_examples=6, deadline=None)
@given(counts)
def test_nothing_on_a_grid_of_the_folded_model_lies_beyond_the_ends(data):
    mixture = folded(*data)
    mean = fit(mixture, FALL).mean
    level = mean.top.log_likelihood - FALL
    taus = np.concatenate(([0.0], np.geomspace(0.02, 12.0, 40)))
    low, high = searched(mixture, np.linspace(0.0, 8.0, 61), taus, level + 1e-9)
    assert mean.low.value <= low + 1e-6
    assert mean.high.value >= high - 1e-6


def test_an_end_beside_the_corner_of_the_folded_model_is_the_outermost():
    """Counts whose upper end lies at mu = 2.3, tau = 2.1, a little beyond the end along mu = 0."""
    correct = [7, 8, 8, 6, 8, 4, 8, 3, 8, 10, 5, 13, 20, 6]
    presented = [24, 17, 22, 8, 24, 6, 15, 4, 9, 11, 15, 29, 28, 8]
    mixture = folded(correct, presented)
    mean = fit(mixture, FALL).mean
    level = mean.top.log_likelihood - FALL
    _, high = searched(mixture, np.linspace(1.8, 2.8, 60), np.linspace(1.5, 2.7, 60), level)
    assert high < mean.high.value == pytest.approx(2.6043, abs=1e-4)


@pytest.mark.parametrize("model", [floor, folded])
@settings(max_examples=3, deadline=None)
@given(data=counts)
def test_refits_in_step_are_fits_of_their_own(model, data):
    whole = model(*data)
    rests = [whole.without([row]) for row in range(len(whole.times))]
    in_step = refit_means(rests, fit(whole, FALL).mean, FALL)
    for rest, found in zip(rests, in_step, strict=True):
        there = np.repeat(np.arange(len(rest.times)), rest.times.astype(int))
        own = fit(model(rest.x[there].astype(int), rest.n[there].astype(int)), FALL).mean
        assert found.top.log_likelihood == pytest.approx(own.top.log_likelihood, abs=1e-7)
        assert (found.low.value, found.high.value) == pytest.approx((own.low.value, own.high.value), abs=1e-6)


def test_searches_in_step_find_what_each_finds_alone():
    whole = floor([3, 8, 5, 11, 6, 9], [12, 12, 10, 15, 12, 11])
    rests = [whole.without([row]) for row in range(6)]
    together = run_together([(rest, highest(rest)) for rest in rests])
    alone = [run(rest, highest(rest)) for rest in rests]
    assert [each.mean for each in together] == pytest.approx([each.mean for each in alone], abs=1e-12)
    assert run_together([]) == []


def test_a_refit_leaves_the_corner_that_the_whole_pool_ended_at():
    """Without one household the end lies beside mu = 0, or on another hill than that of the whole pool."""
    generator = np.random.default_rng(0)
    for _ in range(6):
        presented = generator.integers(2, 25, 9)
        whole = folded(generator.integers(0, presented + 1), presented)
        rests = [whole.without([row]) for row in range(len(whole.times))]
        for rest, found in zip(rests, refit_means(rests, fit(whole, FALL).mean, FALL), strict=True):
            own = fit(rest, FALL).mean
            assert (found.low.value, found.high.value) == pytest.approx((own.low.value, own.high.value), abs=1e-6)


def test_a_search_for_a_level_leaves_a_crest_that_is_flat():
    """Where all may guess the likelihood doesn't change with mu, to the last bit; the level is met at -1.9 or so."""
    mixture = floor([4] * 8, [12] * 8)
    tau, near, start, beyond = (np.array([each]) for each in (0.4, -39.0, -34.0, 6.0))
    crest = np.minimum(mixture.value(near, tau), mixture.value(start, tau))
    level = float(crest[0]) - FALL
    (met,) = run(mixture, _bracketed(tau, start, near, beyond, crest, level))
    assert mixture.value(np.array([met]), tau)[0] == pytest.approx(level, abs=1e-9)
    assert -39.0 < met < 6.0
