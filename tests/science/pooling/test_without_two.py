"""Leaving out two households, against the same functions run anew on every remaining pool."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.pooling.any_time import e_process
from service.science.pooling.any_time_t import any_time_t
from service.science.pooling.verdict import verdict
from service.science.pooling.without_two import least_log_e_without_two, verdicts_without_two

CORRECT = np.array([9, 14, 6, 11, 18, 5, 7, 12, 4, 10, 10, 8])
PRESENTED = np.array([18, 20, 18, 15, 24, 15, 12, 24, 12, 12, 12, 18])


def test_the_least_evidence_is_that_of_the_worst_pair():
    guess = np.full(len(CORRECT), 1 / 3)
    worst = min(
        e_process(np.delete(CORRECT, pair), np.delete(PRESENTED, pair), 1 / 3).log_e_value
        for pair in combinations(range(len(CORRECT)), 2)
    )
    assert least_log_e_without_two(CORRECT, PRESENTED, guess) == pytest.approx(worst, abs=1e-9)


def test_two_households_leave_no_evidence():
    assert least_log_e_without_two(CORRECT[:2], PRESENTED[:2], np.full(2, 1 / 3)) == 0.0


@pytest.mark.parametrize("smallest", [0.001, 0.002, 0.0035, 0.01, 0.02])
def test_every_verdict_that_some_pair_gives_is_found(smallest):
    values = np.array([-0.004, -0.007, -0.002, -0.009, -0.005, -0.006, -0.001, -0.008, -0.004])
    expected = {verdict(smallest, any_time_t(np.delete(values, pair))) for pair in combinations(range(len(values)), 2)}
    assert verdicts_without_two(values, smallest) == expected


def test_identical_households_decide_nothing():
    assert verdicts_without_two(np.full(9, 0.5), 0.1) == {"cannot_tell_yet"}


def test_five_households_leave_three_which_bound_nothing():
    assert verdicts_without_two(np.array([0.1, 0.2, 0.3, 0.25, 0.15]), 0.01) == {"cannot_tell_yet"}


def by_brute_force(values, smallest):
    pairs = combinations(range(len(values)), 2)
    return {verdict(smallest, any_time_t(np.delete(values, pair))) for pair in pairs}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(-40, 80).map(lambda n: n / 100), min_size=3, max_size=14),
    st.sampled_from([0.0301, 0.1003, 0.2507, 0.4999]),
)
def test_every_pair_is_answered_for(values, smallest):
    assert verdicts_without_two(np.array(values), smallest) == by_brute_force(np.array(values), smallest)


@pytest.mark.parametrize("quantile", [0.0, 0.02, 0.5, 0.98, 1.0])
def test_a_single_pair_among_many_that_changes_the_verdict_is_found(quantile):
    """The mark is put where only some pairs, or one, leave the interval beyond it."""
    values = np.random.default_rng(5).normal(0.3, 0.2, 90)
    lows = sorted(any_time_t(np.delete(values, pair)).low for pair in combinations(range(90), 2))
    mark = lows[int(quantile * (len(lows) - 1))]
    for smallest in (mark - 1e-9, mark + 1e-9):
        expected = {"bigger_than_matters" if low > smallest else "real_but_may_be_too_small" for low in lows}
        assert verdicts_without_two(values, smallest) == expected


def test_very_many_households_are_all_paired():
    values = np.concatenate([np.random.default_rng(5).normal(0.3, 0.05, 20_000), [40.0]])
    without = any_time_t(np.delete(values, [0, 20_000]))
    assert verdict(0.29, without) in verdicts_without_two(values, 0.29)
    assert verdicts_without_two(values[:-1], 0.29) == {"bigger_than_matters"}
    # Two of these are exactly as far apart as it takes: no innermost or outermost household moves the end over it.
    inside = any_time_t(np.delete(values[:-1], [7, 12_345])).low
    assert verdicts_without_two(values[:-1], inside) == {"bigger_than_matters", "real_but_may_be_too_small"}


def test_all_but_two_alike_leave_households_that_decide_nothing():
    values = np.array([0.3] * 12 + [0.9, 0.1])
    assert verdicts_without_two(values, 0.2) == by_brute_force(values, 0.2)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=3, max_size=8)
)
def test_the_least_evidence_is_that_of_the_worst_pair_of_any_counts(counts):
    correct, presented = np.array(counts).T
    guess = np.full(len(correct), 1 / 3)
    worst = min(
        e_process(np.delete(correct, pair), np.delete(presented, pair), 1 / 3).log_e_value
        for pair in combinations(range(len(correct)), 2)
    )
    assert least_log_e_without_two(correct, presented, guess) == pytest.approx(worst, rel=1e-9, abs=1e-9)
