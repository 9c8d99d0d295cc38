"""Leaving out two households, against the same functions run anew on every remaining pool."""

from itertools import combinations

import numpy as np
import pytest

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


def test_of_very_many_households_the_outermost_are_paired():
    values = np.concatenate([np.random.default_rng(5).normal(0.3, 0.05, 1500), [40.0]])
    found = verdicts_without_two(values, 0.2)
    assert verdict(0.2, any_time_t(np.delete(values, [0, 1500]))) in found
