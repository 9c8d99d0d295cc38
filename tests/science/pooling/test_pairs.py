import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from service.science.pooling.pairs import Pair, PairCounts, pool_pair_counts, pool_pairs
from service.science.pooling.two_by_two import common_ratio
from tests.science.pooling.figures import columns, load

BINARY = load("expected.json")["paired_binary"]


def counts(case):
    """A is the arm that is compared, B the one that it is compared with: only A counts for the treatment."""
    return PairCounts(case["both_yes"], case["only_B"], case["only_A"], case["both_no"])


@pytest.mark.parametrize("name", BINARY)
def test_paired_outcomes(name):
    """McNemar mid-p, Tango 1998, exact conditional odds: expected.json, paired_binary (R, scipy)."""
    case = BINARY[name]
    result = pool_pair_counts(counts(case))
    assert result.households == case["n_pairs"]
    assert result.exact_p_value == pytest.approx(case["mcnemar_exact_p"], rel=1e-10)
    assert result.p_value == pytest.approx(case["mcnemar_mid_p"], rel=1e-10)
    assert result.risk_difference.estimate == pytest.approx(case["risk_difference"], rel=1e-12, abs=1e-15)
    low, high = case["score_interval_tango1998"]
    assert result.risk_difference.low == pytest.approx(low, rel=1e-9, abs=1e-10)
    assert result.risk_difference.high == pytest.approx(high, rel=1e-9, abs=1e-10)
    assert result.log_any_time_e_value == pytest.approx(case["log_e_uniform_mixture_discordant"], rel=1e-10, abs=1e-12)
    odds = result.conditional_odds_ratio
    if "conditional_or_exact_interval" not in case:
        assert odds.estimate is None
        assert [each.output for each in result.withheld] == ["conditional_odds_ratio"]
        return
    low, high = case["conditional_or_exact_interval"]
    assert odds.estimate == pytest.approx(case.get("conditional_odds_ratio", math.inf))
    assert (odds.low, odds.high) == pytest.approx((low, math.inf if high is None else high), rel=1e-9)


def test_e_value_is_the_mixture_it_stands_for():
    more, less = 7, 2
    mixed, _ = integrate.quad(lambda p: (2 * p) ** more * (2 * (1 - p)) ** less, 0, 1)
    assert pool_pair_counts(PairCounts(0, less, more, 0)).any_time_e_value == pytest.approx(mixed, rel=1e-10)


def pairs_of(*table):
    return [Pair(name, bool(control), bool(treated)) for name, control, treated in table]


def test_pairs_are_counted_treatment_against_control():
    result = pool_pairs(pairs_of(("a", 0, 1), ("b", 0, 1), ("c", 1, 1), ("d", 0, 0)))
    assert result.pairs == PairCounts(1, 0, 2, 1)
    assert result.risk_difference.estimate == 0.5


def test_a_household_counts_once_by_the_arm_that_came_out_ahead():
    three, level = [("a", 0, 1), ("a", 0, 1), ("a", 1, 0)], [("b", 1, 0), ("b", 0, 1)]
    result = pool_pairs(pairs_of(*three, *level, ("c", 1, 1), (None, 0, 0), (None, 0, 1)))
    assert result.households == 5
    assert result.pairs == PairCounts(both=1, only_control=0, only_treatment=2, neither=2)


def test_no_pairs_withhold_everything():
    result = pool_pairs([])
    assert result.p_value is None
    assert result.risk_difference.estimate is None
    assert result.any_time_e_value == 1.0
    assert len(result.withheld) == 3


@settings(max_examples=50, deadline=None)
@given(*(st.integers(0, 40) for _ in range(4)))
def test_exchanging_the_arms_mirrors_the_result(both, one, other, neither):
    a = pool_pair_counts(PairCounts(both, one, other, neither))
    b = pool_pair_counts(PairCounts(both, other, one, neither))
    assert a.p_value == b.p_value
    assert a.any_time_e_value == pytest.approx(b.any_time_e_value)
    if a.households:
        assert a.risk_difference.low == pytest.approx(-b.risk_difference.high, abs=1e-12)
        assert 0.0 < a.p_value <= a.exact_p_value <= 1.0


def test_tables_of_several_batches_share_one_ratio():
    """Colditz et al. 1994 JAMA 271:698: Mantel-Haenszel, Robins-Breslow-Greenland, Cochran, Peto, by R."""
    case = load("expected.json")["datasets"]["bcg_colditz1994"]
    table, expected = columns(case["file"]), case["expected"]["two_by_two_pooling"]
    names = ("treated_events", "treated_non_events", "control_events", "control_non_events")
    result = common_ratio(*(table[name] for name in names))
    assert result.log_odds_ratio.estimate == pytest.approx(expected["mantel_haenszel_log_or"], rel=1e-10)
    assert result.log_odds_ratio.standard_error == pytest.approx(expected["se"], rel=1e-10)
    assert result.log_risk_ratio.estimate == pytest.approx(expected["mantel_haenszel_log_rr"], rel=1e-10)
    assert result.log_risk_ratio.standard_error == pytest.approx(expected["se_log_rr"], rel=1e-10)
    assert result.peto_log_odds_ratio.estimate == pytest.approx(expected["peto_log_or"], rel=1e-10)
    assert result.peto_log_odds_ratio.standard_error == pytest.approx(expected["peto_se"], rel=1e-10)
    assert result.chi_square == pytest.approx(expected["cmh_chi2_continuity_corrected"], rel=1e-10)
    assert result.p_value == pytest.approx(expected["cmh_p"], rel=1e-8)


def test_tables_without_a_change_have_no_ratio():
    for table in (([0], [3], [0], [3]), ([3], [0], [3], [0]), ([], [], [], []), ([0], [0], [0], [0])):
        result = common_ratio(*table)
        assert result.log_odds_ratio.estimate is None
        assert result.p_value == 1.0


def test_tables_must_be_counts():
    with pytest.raises(ValueError, match="control_no"):
        common_ratio([1], [1], [1], [-1])
    with pytest.raises(ValueError, match="control_no"):
        common_ratio([1, 2], [1, 2], [1, 2], np.array([1]))
