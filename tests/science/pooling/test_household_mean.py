import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.science.errors import InputError
from service.science.pooling.difference_results import DifferenceStudy
from service.science.pooling.household_mean import pool_household_differences
from tests.science.pooling.figures import columns, load

# Box, Hunter & Hunter 1978 (shoes); Student 1908 Biometrika 6:1 (sleep); Darwin 1876, Fisher 1935 (maize); by base R.
PAIRED = load("expected.json")["paired_one_batch_per_arm"]
CLUSTERED = load("expected.json")["clustered_replications"]


def studies(values, households=None):
    names = households or [None] * len(values)
    return [DifferenceStudy(f"row {i}", v, name) for i, (v, name) in enumerate(zip(values, names, strict=True))]


def differences(case):
    table = columns(case["file"])
    return next(table[name] for name in table if name.startswith("diff"))


@pytest.mark.parametrize("name", PAIRED)
def test_students_t_on_the_classical_pairs(name):
    expected = PAIRED[name]["expected"]
    result = pool_household_differences(studies(differences(PAIRED[name])))
    assert result.households == expected["k"]
    assert result.estimate == pytest.approx(expected["mean"], rel=1e-10)
    assert result.sd_between_households == pytest.approx(expected["sd"], rel=1e-10)
    assert result.standard_error == pytest.approx(expected["se"], rel=1e-10)
    assert result.degrees_of_freedom == expected["df"]
    assert result.p_value == pytest.approx(expected["p"], rel=1e-10)
    assert (result.low, result.high) == pytest.approx((expected["lower"], expected["upper"]), rel=1e-10)
    prediction = expected["next_pair_prediction"]
    assert result.next_household.low == pytest.approx(prediction["lower"], rel=1e-10)
    assert result.next_household.high == pytest.approx(prediction["upper"], rel=1e-10)
    signs = expected["sign_test"]
    assert (result.sign_count.higher, result.sign_count.lower) == (signs["positive"], signs["negative"])
    assert result.sign_count.p_value == pytest.approx(signs["p_two_sided_exact"], rel=1e-10)


def test_replications_are_averaged_within_their_household_first():
    """expected.json, clustered_replications: invented numbers, worked in base R."""
    expected = CLUSTERED["average_within_household_then_t"]
    table = columns(CLUSTERED["file"])
    result = pool_household_differences(studies(table["diff"], table["household"]))
    assert (result.rows, result.households, result.degrees_of_freedom) == (17, expected["k"], expected["df"])
    assert result.estimate == pytest.approx(expected["mean"], rel=1e-10)
    assert result.standard_error == pytest.approx(expected["se"], rel=1e-10)
    assert (result.low, result.high) == pytest.approx((expected["lower"], expected["upper"]), rel=1e-10)
    assert result.p_value == pytest.approx(expected["p"], rel=1e-10)
    # Counted as independent they would have made a confident claim.
    wrong = CLUSTERED["wrong_all_batches_independent_t"]
    alone = pool_household_differences(studies(table["diff"]))
    assert (alone.low, alone.high) == pytest.approx((wrong["lower"], wrong["upper"]), rel=1e-10)
    assert wrong["upper"] < 0.0 < expected["upper"]


def test_leave_one_out_and_cumulative_are_the_pools_they_name():
    values = differences(PAIRED["paired_sleep_student1908"])
    result = pool_household_differences(studies(values))
    for i, left in enumerate(result.robustness.leave_one_out):
        rest = np.delete(values, i)
        interval = stats.t.interval(0.95, len(rest) - 1, rest.mean(), stats.sem(rest))
        assert left.label == f"row {i}"
        assert (left.estimate, left.low, left.high) == pytest.approx((rest.mean(), *interval), rel=1e-10)
    for step in result.robustness.cumulative[1:]:
        first = np.array(values[: step.households])
        interval = stats.t.interval(0.95, len(first) - 1, first.mean(), stats.sem(first))
        assert (step.estimate, step.low, step.high) == pytest.approx((first.mean(), *interval), rel=1e-10)
    assert [step.households for step in result.robustness.cumulative] == list(range(2, 11))


def test_one_household_that_decides_is_named():
    assert pool_household_differences(studies([-1.0, -1.2, -0.9, 9.0])).robustness.one_household_decides
    steady = pool_household_differences(studies([-1.0, -1.2, -0.9, -1.1, -1.0, -0.8, -1.2, -1.1, -0.9]))
    assert not steady.robustness.one_household_decides


def test_a_sign_that_turns_around_practically_the_same_decides_nothing():
    values = [0.01, -0.02, 0.015, -0.01, 0.0, 0.02, -0.015, 0.01, -0.02, 0.011]
    same = pool_household_differences(studies(values), smallest_that_matters=0.5)
    assert same.verdict == "practically_the_same"
    assert {each.estimate > 0.0 for each in same.robustness.leave_one_out} == {True, False}
    assert not same.robustness.one_household_decides
    assert pool_household_differences(studies(values), smallest_that_matters=0.001).robustness.one_household_decides
    assert pool_household_differences(studies(values)).robustness.one_household_decides


def test_verdict_follows_the_any_time_interval():
    values = [-1.0, -1.2, -0.9, -1.1, -1.0, -0.8, -1.2, -1.1, -0.9]
    assert pool_household_differences(studies(values), smallest_that_matters=0.5).verdict == "bigger_than_matters"
    assert pool_household_differences(studies(values), smallest_that_matters=3.0).verdict == "practically_the_same"
    assert pool_household_differences(studies(values), smallest_that_matters=1.0).verdict == "real_but_may_be_too_small"
    assert pool_household_differences(studies(values)).verdict is None


@pytest.mark.parametrize("k", range(6))
def test_what_so_few_households_cannot_support_is_withheld(k):
    result = pool_household_differences(studies([0.5, 1.0, 0.2, 0.9, 0.4][:k]))
    withheld = " ".join(each.output for each in result.withheld)
    assert (result.estimate is None) == (k == 0)
    assert (result.low is None) == (k < 3)
    assert (result.next_household.low is None) == (k < 5)
    assert (result.any_time.low is None) == (k < 5)
    if 0 < k < 3:
        assert "low, high" in withheld
    if 0 < k < 5:
        assert "next_household" in withheld
    assert result.next_household.rough == (k == 5)
    assert len(result.robustness.leave_one_out) == (k if k >= 3 else 0)
    assert result.reading


@pytest.mark.parametrize("value", [0.3, 0.0, -1e-9, 1e140])
def test_identical_values_are_flagged_and_bound_nothing(value):
    result = pool_household_differences(studies([value] * 6))
    assert result.identical
    assert result.estimate == value
    assert (result.low, result.any_time.low, result.any_time.e_value) == (None, None, None)
    assert "copies" in result.reading


moderate = st.floats(-1e3, 1e3).map(lambda v: round(v, 3))


@settings(max_examples=50, deadline=None)
@given(st.lists(moderate, min_size=0, max_size=9))
def test_any_values_give_numbers_and_words(values):
    result = pool_household_differences(studies(values), smallest_that_matters=1.0)
    for number in (result.estimate, result.low, result.high, result.p_value, result.any_time.e_value):
        assert number is None or math.isfinite(number)
    assert result.reading


@settings(max_examples=30, deadline=None)
@given(
    st.lists(moderate, min_size=5, max_size=9, unique=True),
    st.sampled_from([1e-6, 0.5, 1e6]),
    st.floats(-100, 100),
)
def test_shift_and_scale_carry_through(values, scale, shift):
    plain = pool_household_differences(studies(values))
    moved = pool_household_differences(studies([scale * v + shift * scale for v in values]))
    size = scale * (max(map(abs, values)) + abs(shift) + plain.sd_between_households)
    for a, b in ((plain.estimate, moved.estimate), (plain.low, moved.low), (plain.any_time.high, moved.any_time.high)):
        assert b == pytest.approx(scale * (a + shift), abs=1e-9 * size)


def test_splitting_a_households_row_changes_nothing():
    whole = pool_household_differences(studies([1.0, 2.0, 4.0, 3.0, 2.5], ["a", "b", "c", "d", "e"]))
    split = pool_household_differences(studies([1.0, 2.0, 3.0, 5.0, 3.0, 2.5], ["a", "b", "c", "c", "d", "e"]))
    assert split.rows == 6
    for name in ("estimate", "low", "high", "any_time", "next_household", "sign_count", "weights_percent"):
        assert getattr(split, name) == getattr(whole, name)


@pytest.mark.parametrize(
    ("study", "field"),
    [
        (DifferenceStudy("a", math.nan), "difference"),
        (DifferenceStudy("a", math.inf), "difference"),
        (DifferenceStudy("a", 1.0, standard_error=-0.1), "standard_error"),
        (DifferenceStudy("a", 1.0, standard_error=math.nan), "standard_error"),
        (DifferenceStudy("a", 1.0, moderator=math.inf), "moderator"),
    ],
)
def test_rows_that_are_not_numbers_are_refused_by_place(study, field):
    with pytest.raises(InputError) as caught:
        pool_household_differences([DifferenceStudy("fine", 0.0, moderator=1.0), study])
    assert (caught.value.field, caught.value.index) == (field, 1)


def test_a_household_has_one_group():
    rows = [DifferenceStudy("a", 1.0, "h", group="pot"), DifferenceStudy("b", 1.0, "h", group="column")]
    with pytest.raises(InputError, match="group"):
        pool_household_differences(rows)
