import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from service.science.discrimination import METHODS, significance
from service.science.errors import InputError
from tests.science.trial_figures import METHOD_FOR_GUESS, guess, published_counts, rows

PUBLISHED_ONE_SIDED = [row for row in rows("critical_values.csv") if row["sided"] == "one"]


@pytest.mark.parametrize("level", ["0.05", "0.01", "0.001"])
def test_every_published_one_sided_critical_value(level):
    """FAO paper 348 appendix A, GOST ISO 10399-2015 A.1, GOST R 53161-2008 A.1, sign test table A-7."""
    table = [row for row in PUBLISHED_ONE_SIDED if row["alpha"] == level]
    assert len(table) > 60
    for row in table:
        fewest = significance(METHOD_FOR_GUESS[row["p0"]], int(row["n"]), 0).fewest_correct_for[level]
        assert set(published_counts(row)) == {fewest}, row


def test_published_critical_values_at_every_level_by_p_value():
    for row in PUBLISHED_ONE_SIDED:
        presented, alpha = int(row["n"]), float(row["alpha"])
        method = METHOD_FOR_GUESS[row["p0"]]
        fewest = published_counts(row)[0]
        if fewest is None:
            assert significance(method, presented, presented).p_value > alpha
            continue
        assert significance(method, presented, fewest).p_value <= alpha
        assert significance(method, presented, fewest).p_value == pytest.approx(
            float(row["attained_alpha_exact"]), rel=1e-9
        )
        assert significance(method, presented, fewest - 1).p_value > alpha


@pytest.mark.parametrize("row", rows("intervals.csv"), ids=lambda row: f"{row['correct']}of{row['presented']}")
def test_published_intervals(row):
    found = significance(row["method"], int(row["presented"]), int(row["correct"]))
    for interval, name in (
        (found.proportion_correct, "p_c"),
        (found.proportion_discriminating, "p_d"),
        (found.d_prime, "d_prime"),
    ):
        assert interval.low == pytest.approx(float(row[f"{name}_low"]), abs=5.1e-5 if name == "d_prime" else 5.1e-6)
        assert interval.high == pytest.approx(float(row[f"{name}_high"]), abs=5.1e-5 if name == "d_prime" else 5.1e-6)


@pytest.mark.parametrize("row", rows("e_values.csv"), ids=lambda row: f"{row['correct']}of{row['presented']}")
def test_published_e_values(row):
    found = significance(METHOD_FOR_GUESS[row["p0"]], int(row["presented"]), int(row["correct"]))
    assert found.any_time_e_value == pytest.approx(float(row["e_value"]), rel=1e-9)
    assert found.p_value == pytest.approx(float(row["p_value"]), rel=2e-5 if row["presented"] == "1" else 1e-9)
    assert found.log10_any_time_e_value == pytest.approx(math.log10(float(row["e_value"])), abs=1e-9)


def test_any_time_fewest_correct():
    for row in rows("anytime_min_correct.csv"):
        presented, threshold = int(row["n"]), float(row["E_threshold"])
        answers = np.arange(presented + 1)
        e_values = significance(METHOD_FOR_GUESS[row["p0"]], presented, answers).any_time_e_value
        enough = answers[e_values >= threshold]
        expected = int(row["min_correct_anytime"]) if row["min_correct_anytime"] else None
        assert (int(enough[0]) if enough.size else None) == expected, row


@pytest.mark.parametrize("p0", ["1/3", "1/2"])
@pytest.mark.parametrize(("presented", "correct"), [(12, 8), (30, 3), (60, 41)])
def test_the_e_value_is_the_integral_over_alternatives(p0, presented, correct):
    g = guess(p0)
    integral, _ = integrate.quad(
        lambda p: (p / g) ** correct * ((1 - p) / (1 - g)) ** (presented - correct) / (1 - g), g, 1, epsabs=1e-13
    )
    assert significance(METHOD_FOR_GUESS[p0], presented, correct).any_time_e_value == pytest.approx(integral, rel=1e-8)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(METHODS)), st.integers(1, 400), st.floats(0.0, 1.0))
def test_p_value_and_limits_equal_scipys_binomial_test(method, presented, share):
    correct = round(share * presented)
    found = significance(method, presented, correct, confidence=0.9)
    oracle = stats.binomtest(correct, presented, METHODS[method].guess_probability, alternative="greater")
    limits = stats.binomtest(correct, presented).proportion_ci(confidence_level=0.9, method="exact")
    assert found.p_value == pytest.approx(oracle.pvalue, rel=1e-9)
    assert found.log10_p == pytest.approx(math.log10(oracle.pvalue), abs=1e-9)
    assert found.proportion_correct.low == pytest.approx(limits.low, abs=1e-9)
    assert found.proportion_correct.high == pytest.approx(limits.high, abs=1e-9)


def test_below_the_floor_there_are_zeros_and_no_gaps():
    found = significance("triangle", 20, 2)
    assert found.below_chance
    assert found.proportion_correct.estimate == pytest.approx(0.1)
    for interval in (found.proportion_discriminating, found.d_prime):
        assert (interval.estimate, interval.low, interval.high) == (0.0, 0.0, 0.0)
    at_chance = significance("triangle", 24, 8)
    assert not at_chance.below_chance
    assert at_chance.d_prime.estimate == 0.0
    assert at_chance.d_prime.high > 1.7


@pytest.mark.parametrize("method", METHODS)
def test_all_correct_has_no_upper_limit(method):
    found = significance(method, 10, 10)
    assert found.d_prime.estimate == math.inf
    assert found.d_prime.high == math.inf
    assert 0.0 < found.d_prime.low < math.inf
    assert found.proportion_discriminating.high == 1.0


def test_columns_equal_single_calls():
    presented = np.array([1, 2, 12, 12, 10, 300, 5000])
    correct = np.array([0, 2, 8, 1, 10, 150, 5000])
    column = significance("tetrad", presented, correct)
    for place, (n, x) in enumerate(zip(presented.tolist(), correct.tolist(), strict=True)):
        single = significance("tetrad", n, x)
        assert column.p_value[place] == single.p_value
        assert column.log10_p[place] == single.log10_p
        assert column.any_time_e_value[place] == single.any_time_e_value
        assert bool(column.below_chance[place]) is single.below_chance
        for level, fewest in single.fewest_correct_for.items():
            assert column.fewest_correct_for[level].tolist()[place] == fewest
        for name in ("proportion_correct", "proportion_discriminating", "d_prime"):
            many, one = getattr(column, name), getattr(single, name)
            assert (many.estimate[place], many.low[place], many.high[place]) == (one.estimate, one.low, one.high)
    assert type(significance("tetrad", 12, 8).p_value) is float
    assert type(significance("tetrad", 12, 8).presented) is int


def test_a_hundred_thousand_rows_hold_no_gap():
    generator = np.random.default_rng(20261101)
    presented = generator.integers(1, 500, 100_000)
    correct = generator.binomial(presented, 0.5)
    found = significance("triangle", presented, correct, confidence=np.full(100_000, 0.9))
    for interval in (found.proportion_correct, found.proportion_discriminating, found.d_prime):
        assert not np.isnan(interval.estimate).any()
        assert np.all(interval.low <= interval.estimate)
        assert np.all(interval.estimate <= interval.high)
    assert np.isfinite(found.any_time_e_value).all()
    assert np.isfinite(found.log10_p).all()


def test_a_million_right_out_of_a_million():
    found = significance("duo_trio", 1_000_000, 1_000_000)
    assert found.p_value == 0.0
    assert found.log10_p == pytest.approx(-1_000_000 * math.log10(2), rel=1e-12)
    assert math.isfinite(found.any_time_e_value)


@pytest.mark.parametrize(
    ("arguments", "field", "index"),
    [
        (("square", 12, 8), "method", None),
        (("triangle", 0, 0), "presented", None),
        (("triangle", 12.5, 8), "presented", None),
        (("triangle", 12, 13), "correct", None),
        (("triangle", 12, -1), "correct", None),
        (("triangle", np.array([12, 12]), np.array([3, 13])), "correct", 1),
        (("triangle", np.array([12, 12, 12]), np.array([3, 1])), "correct", None),
        (("triangle", 12, math.nan), "correct", None),
        (("triangle", 12, 8, 1.0), "confidence", None),
        (("triangle", 12, "many"), "correct", None),
    ],
)
def test_what_is_refused(arguments, field, index):
    with pytest.raises(InputError) as refusal:
        significance(*arguments)
    assert (refusal.value.field, refusal.value.index) == (field, index)
