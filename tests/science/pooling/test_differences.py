import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.errors import InputError
from service.science.pooling.differences import ESTIMATORS, INTERVALS, DifferenceStudy, pool_differences
from tests.science.pooling.figures import columns, load

EXPECTED = load("expected.json")
DATASETS = EXPECTED["datasets"]
WEIGHTED = ESTIMATORS[:-1]


def rows(name):
    table = columns(DATASETS[name]["file"])
    return [
        DifferenceStudy(f"row {i + 1}", y, None, math.sqrt(v))
        for i, (y, v) in enumerate(zip(table["yi"], table["vi"], strict=True))
    ]


def studies(values, errors, households=None):
    names = households or [None] * len(values)
    return [DifferenceStudy(f"r{i}", y, h, e) for i, (y, e, h) in enumerate(zip(values, errors, names, strict=True))]


def test_the_default_is_reml_with_the_floored_interval():
    """Colditz et al. 1994 JAMA 271:698."""
    expected = DATASETS["bcg_colditz1994"]["expected"]
    result = pool_differences(rows("bcg_colditz1994"))
    assert (result.estimator, result.interval) == ("reml", "hartung_knapp_modified")
    figures = expected["reml"]["hksj_max1"]
    assert result.estimate == pytest.approx(expected["reml"]["estimate"], rel=1e-8)
    assert result.standard_error == pytest.approx(figures["se"], rel=1e-8)
    assert (result.low, result.high) == pytest.approx((figures["lower"], figures["upper"]), rel=1e-8)
    assert result.p_value == pytest.approx(figures["p"], rel=1e-7)
    assert result.degrees_of_freedom == 12
    assert result.tau2.estimate == pytest.approx(expected["reml"]["tau2"], rel=1e-8)
    assert result.tau2.high == pytest.approx(expected["tau2_ci_q_profile"]["tau2_upper"], rel=1e-7)
    assert result.q.value == pytest.approx(expected["heterogeneity"]["Q"], rel=1e-10)
    assert result.i2_percent == pytest.approx(expected["heterogeneity"]["i2_percent_Q_based"], rel=1e-8)
    assert result.i2_tau2_percent == pytest.approx(expected["reml"]["i2_percent_tau2_based"], rel=1e-8)
    assert result.log_likelihood == pytest.approx(expected["reml"]["loglik"], abs=1e-8)
    assert sum(result.weights_percent) == pytest.approx(100.0)
    higgins = expected["reml"]["prediction"]["higgins2009_t_kminus2_wald_se"]
    assert (result.next_household.low, result.next_household.high) == pytest.approx(
        (higgins["lower"], higgins["upper"]), rel=1e-8
    )
    assert result.next_household.convention == "higgins_2009"
    left = expected["leave_one_out"][3]
    assert result.robustness.leave_one_out[3].label == "row 4"
    assert result.robustness.leave_one_out[3].estimate == pytest.approx(left["reml_estimate"], rel=1e-8)
    assert [step.households for step in result.robustness.cumulative] == list(range(2, 14))


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize("estimator", WEIGHTED)
def test_every_estimator_and_interval_may_be_asked_for(estimator, interval):
    result = pool_differences(rows("teacher_expectancy_raudenbush1985"), estimator, interval)
    assert (result.estimator, result.interval) == (estimator, interval)
    assert result.low < result.estimate < result.high
    assert (result.degrees_of_freedom is None) == (interval == "wald")


def test_without_standard_errors_it_is_the_household_mean():
    values = [0.3, 0.5, -0.1, 0.4, 0.2]
    result = pool_differences(studies(values, [None] * 5))
    assert (result.estimator, result.interval) == ("household_mean", "student")
    assert result.estimate == pytest.approx(np.mean(values))
    assert result.next_household.convention == "student_observed"
    assert pool_differences(studies(values, [0.1, None, 0.1, 0.1, 0.1])).estimator == "household_mean"


def test_splitting_a_households_rows_changes_nothing():
    """Two readings with error e average to one with e / sqrt 2."""
    whole = pool_differences(studies([1.0, 2.0, 4.0, 3.0], [0.5, 0.4, 0.3, 0.6], list("abcd")))
    twice = math.sqrt(2.0)
    split = pool_differences(
        studies([1.0, 2.0, 3.0, 5.0, 3.0], [0.5, 0.4, 0.3 * twice, 0.3 * twice, 0.6], ["a", "b", "c", "c", "d"])
    )
    assert (split.rows, split.households) == (5, 4)
    for name in ("estimate", "low", "high", "tau2", "q"):
        a, b = getattr(whole, name), getattr(split, name)
        flat = (a, b) if isinstance(a, float) else (list(_numbers(a)), list(_numbers(b)))
        assert flat[1] == pytest.approx(flat[0], rel=1e-10)


def _numbers(result):
    return (getattr(result, name) for name in result.__slots__)


@pytest.mark.parametrize("k", range(6))
@pytest.mark.parametrize("estimator", WEIGHTED)
def test_minimum_counts(estimator, k):
    result = pool_differences(studies([0.5, 1.0, 0.2, 0.9, 0.4][:k], [0.1, 0.2, 0.15, 0.3, 0.2][:k]), estimator)
    withheld = {each.output for each in result.withheld}
    assert (result.estimate is None) == (k == 0)
    assert (result.low is None) == (k in {0, 2})
    assert (result.q.value is None) == (k < 3)
    assert (result.tau2.estimate is None) == (k < 3)
    assert (result.next_household.low is None) == (k < 5)
    if 0 < k < 3:
        assert {"tau2", "q", "h2"} <= withheld
    if k == 1:
        assert result.interval == "wald"
        assert result.high - result.low == pytest.approx(2 * 1.959963984540054 * 0.1)
    assert result.reading


def test_two_households_get_a_range_on_request():
    two = studies([0.5, 1.0], [0.1, 0.2])
    assert pool_differences(two).low is None
    assert pool_differences(two, interval="hartung_knapp_modified").low < 0.0


def test_less_spread_than_chance_leaves_the_q_profile_empty():
    case = EXPECTED["edge_cases"]["k3_identical"]
    result = pool_differences(studies(case["yi"], np.sqrt(case["vi"]).tolist()))
    assert result.identical
    assert result.tau2.low is None
    assert any(each.output == "tau2.low, tau2.high" for each in result.withheld)
    assert result.q.value == 0.0
    # Hartung-Knapp alone would have no width: the floor is returned, and named.
    asked = pool_differences(studies(case["yi"], np.sqrt(case["vi"]).tolist()), interval="hartung_knapp")
    assert asked.interval == "hartung_knapp_modified"
    assert asked.low < asked.estimate < asked.high
    assert "copies" in asked.reading


def test_readings_without_error():
    case = EXPECTED["all_zero_variance_example"]
    result = pool_differences(studies(case["yi"], [0.0] * 5), interval="hartung_knapp")
    assert result.tau2.estimate == pytest.approx(case["tau2_reml"], rel=1e-10)
    assert (result.low, result.high) == pytest.approx((case["lower"], case["upper"]), rel=1e-10)
    assert result.q.value is None
    assert result.weights_percent == pytest.approx([20.0] * 5)


def test_precise_households_that_disagree_with_the_others_are_named():
    result = pool_differences(studies([0.0, 0.01, 5.0, 6.0, 5.5], [0.01, 0.01, 3.0, 3.0, 3.0]), "common")
    assert "imprecise readings disagree" in result.reading


def test_very_many_households_are_not_refitted():
    rng = np.random.default_rng(0)
    many = studies(rng.normal(0, 1, 600).tolist(), rng.uniform(0.1, 1, 600).tolist())
    result = pool_differences(many)
    assert result.robustness.leave_one_out == ()
    assert any("leave_one_out" in each.output for each in result.withheld)
    assert len(result.weights_percent) == 600


@pytest.mark.parametrize(
    ("values", "errors", "options", "field", "index"),
    [
        ([1.0, 2.0], [0.1, None], {"estimator": "reml"}, "standard_error", 1),
        ([1.0, 2.0], [0.0, 0.1], {}, "standard_error", 0),
        ([1.0, 2.0], [0.0, 0.0], {"estimator": "common"}, "standard_error", 0),
        ([1.0, 2.0], [0.1, 0.1], {"estimator": "best"}, "estimator", None),
        ([1.0, 2.0], [0.1, 0.1], {"interval": "best"}, "interval", None),
        ([1.0, 2.0], [None, None], {"interval": "wald"}, "interval", None),
        ([1.0, math.nan], [0.1, 0.1], {}, "difference", 1),
        ([1.0, 2.0], [0.1, -0.1], {}, "standard_error", 1),
        ([1.0, 2.0], [0.1, math.inf], {}, "standard_error", 1),
        ([1.0, 2.0], [0.1, 0.1], {"confidence": 1.0}, "confidence", None),
    ],
)
def test_what_cannot_be_pooled_is_refused_by_name_and_place(values, errors, options, field, index):
    with pytest.raises(InputError) as caught:
        pool_differences(studies(values, errors), **options)
    assert (caught.value.field, caught.value.index) == (field, index)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-1e6, 1e6),
            st.sampled_from([1e-12, 1e-3, 1.0, 50.0, 1e8]),
            st.sampled_from([None, "a", "b"]),
            st.one_of(st.none(), st.floats(-5, 5)),
        ),
        max_size=13,
    ),
    st.sampled_from(ESTIMATORS),
)
def test_any_pool_gives_numbers_and_words(table, estimator):
    pool = [DifferenceStudy(f"r{i}", y, h, e, m, "g" + str(i % 2)) for i, (y, e, h, m) in enumerate(table)]
    pool = [each if each.household is None else _grouped(each) for each in pool]
    result = pool_differences(pool, estimator, smallest_that_matters=1.0)
    for number in _floats(result):
        assert math.isfinite(number)
    assert result.reading


def _grouped(study):
    return DifferenceStudy(study.label, study.difference, study.household, study.standard_error, study.moderator, "g0")


def _floats(value):
    if isinstance(value, float):
        yield value
    elif isinstance(value, tuple):
        for each in value:
            yield from _floats(each)
    elif hasattr(value, "__slots__") and not isinstance(value, str):
        for name in value.__slots__:
            yield from _floats(getattr(value, name))
