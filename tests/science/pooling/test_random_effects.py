import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, special, stats
from statsmodels.stats.meta_analysis import combine_effects

from service.science.pooling.random_effects import (
    heterogeneity,
    limits,
    log_likelihood,
    pools,
    prediction,
    scaled,
    tau2_interval,
)
from service.science.pooling.tau2 import restricted_log_likelihood, restricted_maximum_likelihood
from service.science.pooling.weighted_sums import whole
from tests.science.pooling.figures import columns, load

# Colditz et al. 1994; Raudenbush 1984; Hackshaw, Law & Wald 1997; Normand 1999; Zhou, Brizendine & Pritz 1999; Senn et
# al. 2013; Konstantopoulos 2011: figures by R and an independent implementation, see SOURCES.md.
EXPECTED = load("expected.json")
DATASETS = EXPECTED["datasets"]
EDGES = EXPECTED["edge_cases"]
ESTIMATORS = {
    "dersimonian_laird": "dersimonian_laird",
    "paule_mandel": "paule_mandel",
    "reml": "reml",
    "ml": "maximum_likelihood",
}
SHORT = {"dl": "dersimonian_laird", "pm": "paule_mandel", "reml": "reml", "ml": "maximum_likelihood"}
INTERVALS = {"wald": "wald", "hksj": "hartung_knapp", "hksj_max1": "hartung_knapp_modified"}
CONVENTIONS = {
    "higgins2009_t_kminus2_wald_se": "higgins_2009",
    "t_kminus1_hksj_se": "hartung_knapp_k_minus_1",
    "t_kminus2_hksj_se": "hartung_knapp_k_minus_2",
    "normal_quantile_wald_se": "normal",
}


def dataset(name, variances="vi"):
    table = columns(DATASETS[name]["file"])
    return np.array(table["yi"]), np.array(table[variances])


def readings(name, variances="vi"):
    y, v = dataset(name, variances)
    return scaled(y, np.sqrt(v))


def check_estimator(data, estimator, expected):
    pool = pools(data, estimator, "all")
    assert pool.tau2[0] == pytest.approx(expected["tau2"], rel=1e-8, abs=1e-14)
    assert pool.mean[0] == pytest.approx(expected["estimate"], rel=1e-8)
    for name, interval in INTERVALS.items():
        bound, figures = limits(pool, interval, 0.95), expected[name]
        assert bound.error[0] == pytest.approx(figures["se"], rel=1e-8)
        assert bound.low[0] == pytest.approx(figures["lower"], rel=1e-8)
        assert bound.high[0] == pytest.approx(figures["upper"], rel=1e-8)
        assert bound.p_value[0] == pytest.approx(figures["p"], rel=1e-7)
    assert heterogeneity(data, float(pool.tau2[0])).i2_tau2_percent == pytest.approx(
        expected["i2_percent_tau2_based"], rel=1e-8, abs=1e-10
    )
    if "loglik" in expected:
        assert log_likelihood(data, estimator, float(pool.tau2[0])) == pytest.approx(expected["loglik"], abs=1e-8)
    for name, convention in CONVENTIONS.items():
        low, high = prediction(pool, convention, 0.95)
        assert low == pytest.approx(expected["prediction"][name]["lower"], rel=1e-8)
        assert high == pytest.approx(expected["prediction"][name]["upper"], rel=1e-8)


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize("name", DATASETS)
def test_every_estimator_on_every_published_set(name, estimator):
    check_estimator(readings(name), ESTIMATORS[estimator], DATASETS[name]["expected"][estimator])


@pytest.mark.parametrize("estimator", ["dersimonian_laird", "reml"])
def test_pooled_standard_deviations_as_the_paper_has_them(estimator):
    """Normand 1999 Table IX: with pooled-SD variances DL mean -14.1 and REML tau2 685.20 as printed."""
    expected = DATASETS["stroke_length_of_stay_normand1999"]["expected"]["with_vi_pooled_sd"][estimator]
    check_estimator(
        readings("stroke_length_of_stay_normand1999", "vi_pooled_sd"),
        estimator,
        {
            "i2_percent_tau2_based": 100 * expected["tau2"] / (expected["tau2"] + _typical("vi_pooled_sd")),
            **expected,
        },
    )
    printed = {"dersimonian_laird": (-14.1, 218.72), "reml": (-15.12, 685.20)}[estimator]
    assert (round(expected["estimate"], 2 if estimator == "reml" else 1), round(expected["tau2"], 2)) == printed


def _typical(variances):
    _, v = dataset("stroke_length_of_stay_normand1999", variances)
    return (len(v) - 1) * np.sum(1 / v) / (np.sum(1 / v) ** 2 - np.sum(1 / v**2))


@pytest.mark.parametrize("name", DATASETS)
def test_common_effect_and_heterogeneity_on_every_published_set(name):
    expected = DATASETS[name]["expected"]
    data = readings(name)
    pool = pools(data, "common", "all")
    bound, figures = limits(pool, "wald", 0.95), expected["common_effect"]
    assert pool.mean[0] == pytest.approx(figures["estimate"], rel=1e-10)
    assert bound.error[0] == pytest.approx(figures["se"], rel=1e-10)
    assert (bound.low[0], bound.high[0]) == pytest.approx((figures["lower"], figures["upper"]), rel=1e-10)
    # R gives this p-value to seven digits where it is 1e-26.
    assert bound.p_value[0] == pytest.approx(figures["p"], rel=1e-7)
    found, figures = heterogeneity(data, 0.0), expected["heterogeneity"]
    assert found.q == pytest.approx(figures["Q"], rel=1e-10)
    assert found.freedom == figures["df"]
    assert found.p_value == pytest.approx(figures["p"], rel=1e-8)
    assert found.i2_percent == pytest.approx(figures["i2_percent_Q_based"], rel=1e-8)
    assert found.h2 == pytest.approx(figures["h2_Q_based"], rel=1e-8)
    assert found.typical == pytest.approx(figures["typical_variance_s2"], rel=1e-8)


@pytest.mark.parametrize("name", DATASETS)
def test_q_profile_on_every_published_set(name):
    expected = DATASETS[name]["expected"]["tau2_ci_q_profile"]
    low, high = tau2_interval(readings(name), expected["level"])
    assert low == pytest.approx(expected["tau2_lower"], rel=1e-7, abs=1e-12)
    assert high == pytest.approx(expected["tau2_upper"], rel=1e-7)


@pytest.mark.parametrize("name", [name for name in DATASETS if "leave_one_out" in DATASETS[name]["expected"]])
def test_leaving_each_row_out_of_every_published_set(name):
    rows = DATASETS[name]["expected"]["leave_one_out"]
    data = readings(name)
    reml, moments, common = (pools(data, each, "without_each") for each in ("reml", "dersimonian_laird", "common"))
    bound = limits(reml, "hartung_knapp", 0.95)
    for row in rows:
        i = row["omitted_row"] - 1
        assert common.mean[i] == pytest.approx(row["common_estimate"], rel=1e-8)
        assert common.q[i] * (common.count[i] - 1) == pytest.approx(row["Q"], rel=1e-8)
        assert moments.mean[i] == pytest.approx(row["dl_estimate"], rel=1e-8)
        assert moments.tau2[i] == pytest.approx(row["dl_tau2"], rel=1e-8, abs=1e-14)
        assert reml.mean[i] == pytest.approx(row["reml_estimate"], rel=1e-8)
        assert reml.tau2[i] == pytest.approx(row["reml_tau2"], rel=1e-8, abs=1e-14)
        assert bound.low[i] == pytest.approx(row["reml_hksj_lower"], rel=1e-8)
        assert bound.high[i] == pytest.approx(row["reml_hksj_upper"], rel=1e-8)


@pytest.mark.parametrize("name", [name for name in DATASETS if "cumulative" in DATASETS[name]["expected"]])
def test_adding_row_after_row_of_every_published_set(name):
    expected = DATASETS[name]["expected"]["cumulative"]
    y, v = dataset(name)
    order = np.array(expected["row_order"]) - 1
    data = scaled(y[order], np.sqrt(v[order]))
    reml, moments = (pools(data, each, "up_to_each") for each in ("reml", "dersimonian_laird"))
    bound = limits(reml, "hartung_knapp", 0.95)
    assert reml.mean[0] == pytest.approx(expected["steps"][0]["estimate"], rel=1e-10)
    for step in expected["steps"][1:]:
        i = step["k"] - 1
        assert reml.mean[i] == pytest.approx(step["reml_estimate"], rel=1e-8)
        assert reml.tau2[i] == pytest.approx(step["reml_tau2"], rel=1e-8, abs=1e-14)
        assert reml.error[i] == pytest.approx(step["reml_se_wald"], rel=1e-8)
        assert bound.low[i] == pytest.approx(step["reml_hksj_lower"], rel=1e-8)
        assert moments.mean[i] == pytest.approx(step["dl_estimate"], rel=1e-8)
        assert moments.tau2[i] == pytest.approx(step["dl_tau2"], rel=1e-8, abs=1e-14)
        assert moments.error[i] == pytest.approx(step["dl_se_wald"], rel=1e-8)


@pytest.mark.parametrize("name", EDGES)
def test_edge_cases(name):
    """expected.json, edge_cases: invented, by score bracketing with Brent roots."""
    case = EDGES[name]
    data = scaled(np.array(case["yi"]), np.sqrt(case["vi"]))
    for short, estimator in SHORT.items():
        pool = pools(data, estimator, "all")
        figures = case[short]
        assert pool.tau2[0] == pytest.approx(figures["tau2"], rel=1e-8, abs=1e-20)
        assert pool.mean[0] == pytest.approx(figures["estimate"], rel=1e-8)
        assert pool.error[0] == pytest.approx(figures["se_wald"], rel=1e-8)
        assert pool.q[0] == pytest.approx(figures["hksj_q"], rel=1e-8, abs=1e-25)
    assert heterogeneity(data, 0.0).q == pytest.approx(case["Q"], rel=1e-10, abs=1e-25)
    interval = tau2_interval(data, 0.95)
    figures = case["tau2_ci_q_profile"]
    if "tau2_upper" not in figures:
        assert interval is None
    else:
        assert interval == pytest.approx((figures["tau2_lower"], figures["tau2_upper"]), rel=1e-7, abs=1e-20)


def test_the_higher_of_two_maxima_is_found():
    case = EDGES["two_local_maxima_reml"]
    data = scaled(np.array(case["yi"]), np.sqrt(case["vi"]))
    heights = [log_likelihood(data, "reml", tau2) for tau2 in case["local_maxima_tau2"]]
    assert heights == pytest.approx(case["loglik_at_maxima"], abs=1e-8)
    assert heights[1] > heights[0]
    assert pools(data, "reml", "all").tau2[0] == pytest.approx(case["local_maxima_tau2"][1], rel=1e-8)
    # The unrestricted likelihood of the same data is highest at 0.
    assert pools(data, "maximum_likelihood", "all").tau2[0] == 0.0


def test_readings_without_error_leave_the_sample_variance_and_the_t_interval():
    case = EXPECTED["all_zero_variance_example"]
    data = scaled(np.array(case["yi"]), np.zeros(5))
    pool = pools(data, "reml", "all")
    bound = limits(pool, "hartung_knapp", 0.95)
    assert pool.tau2[0] == pytest.approx(case["tau2_reml"], rel=1e-10)
    assert bound.error[0] == pytest.approx(case["se"], rel=1e-10)
    assert (bound.low[0], bound.high[0]) == pytest.approx((case["lower"], case["upper"]), rel=1e-10)
    assert heterogeneity(data, 1.0) is None
    assert tau2_interval(data, 0.95) is None


def test_equal_variances_make_hartung_knapp_the_t_interval():
    case = EXPECTED["equal_variance_identity"]
    data = scaled(np.array(case["yi"]), np.full(5, math.sqrt(case["vi"])))
    check_estimator(data, "reml", case["reml"])
    for estimator in ("common", "dersimonian_laird", "paule_mandel", "maximum_likelihood", "reml"):
        bound = limits(pools(data, estimator, "all"), "hartung_knapp", 0.95)
        assert bound.low[0] == pytest.approx(case["one_sample_t"]["lower"], rel=1e-10)
        assert bound.high[0] == pytest.approx(case["one_sample_t"]["upper"], rel=1e-10)


def test_statsmodels_agrees_where_it_has_the_method():
    rng = np.random.default_rng(5)
    for _ in range(5):
        v = rng.chisquare(3, 12) / 10
        y = rng.normal(0.4, np.sqrt(v + 0.3))
        data = scaled(y, np.sqrt(v))
        moments = combine_effects(y, v, method_re="dl")
        pool = pools(data, "dersimonian_laird", "all")
        assert pool.tau2[0] == pytest.approx(moments.tau2, rel=1e-10, abs=1e-14)
        assert pool.mean[0] == pytest.approx(moments.mean_effect_re, rel=1e-10)
        assert pool.error[0] == pytest.approx(moments.sd_eff_w_re, rel=1e-10)
        mandel = combine_effects(y, v, method_re="iterated", atol=1e-13)
        assert pools(data, "paule_mandel", "all").tau2[0] == pytest.approx(mandel.tau2, rel=1e-7, abs=1e-10)
        assert heterogeneity(data, 0.0).q == pytest.approx(moments.q, rel=1e-10)


def test_restricted_likelihood_is_highest_where_it_is_said_to_be():
    rng = np.random.default_rng(11)
    for _ in range(12):
        v = 10.0 ** rng.uniform(-3, 2, 6)
        problem = whole(rng.normal(0, 1, 6), v)
        found = restricted_maximum_likelihood(problem)
        height = restricted_log_likelihood(problem, found)[0]
        grid = np.concatenate(([0.0], np.geomspace(1e-6, 1e3, 200)))
        others = [restricted_log_likelihood(problem, np.array([each]))[0] for each in grid]
        assert height >= max(others) - 1e-10
        near = optimize.minimize_scalar(
            lambda log_tau2, p=problem: -restricted_log_likelihood(p, np.exp([log_tau2]))[0],
            bounds=(-12, 8),
            method="bounded",
        )
        assert height >= -near.fun - 1e-10


def _moments(y, error):
    """DerSimonian and Laird's (1986) estimator in fractions, where nothing is rounded."""
    y, w = [Fraction(float(each)) for each in y], [1 / Fraction(float(each)) ** 2 for each in error]
    mean = sum(a * b for a, b in zip(w, y, strict=True)) / sum(w)
    q = sum(a * (b - mean) ** 2 for a, b in zip(w, y, strict=True))
    return float(max(Fraction(0), (q - (len(y) - 1)) / (sum(w) - sum(a * a for a in w) / sum(w))))


@pytest.mark.parametrize("best", [1e-7, 1e-5, 1e-2, 1.0])
@pytest.mark.parametrize("kept", ["all", "without_each", "up_to_each"])
def test_moments_when_one_reading_outweighs_all_others(best, kept):
    draw = np.random.default_rng(8)
    y, error = np.round(draw.uniform(-50, 50, 7), 3), draw.uniform(10.0, 300.0, 7)
    y[4], error[4] = 48.652, best
    rows = np.arange(7)
    of = {
        "all": [rows],
        "without_each": [np.delete(rows, i) for i in rows],
        "up_to_each": [rows[: i + 1] for i in rows],
    }
    found = pools(scaled(y, error), "dersimonian_laird", kept).tau2
    meant = [0.0 if len(some) == 1 else _moments(y[some], error[some]) for some in of[kept]]
    assert found == pytest.approx(meant, rel=1e-10)


values = st.lists(st.tuples(st.floats(-50, 50), st.floats(-6, 4)), min_size=2, max_size=9)


@settings(max_examples=25, deadline=None)
@given(values, st.sampled_from([1e-9, 1.0, -1.0, 1e9]), st.floats(-10, 10))
def test_shift_and_scale_carry_through(pairs, scale, shift):
    y = np.array([round(a, 3) for a, _ in pairs])
    error = 10.0 ** np.array([round(b, 2) for _, b in pairs])
    plain, moved = scaled(y, error), scaled(scale * (y + shift), abs(scale) * error)
    size = float(np.ptp(y)) + abs(shift) + float(np.abs(y).max()) + float(error.min())
    for estimator in ("paule_mandel", "dersimonian_laird"):
        a, b = pools(plain, estimator, "all"), pools(moved, estimator, "all")
        assert b.tau2[0] == pytest.approx(scale**2 * a.tau2[0], rel=1e-6, abs=1e-9 * (scale * size) ** 2)
        assert b.error[0] == pytest.approx(abs(scale) * a.error[0], rel=1e-5)
    height = log_likelihood(plain, "reml", float(pools(plain, "reml", "all").tau2[0]))
    moved_height = log_likelihood(moved, "reml", float(pools(moved, "reml", "all").tau2[0]))
    assert moved_height + (len(y) - 1) * math.log(abs(scale)) == pytest.approx(height, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(values)
def test_nothing_is_ever_not_a_number(pairs):
    data = scaled(np.array([a for a, _ in pairs]), 10.0 ** np.array([b for _, b in pairs]))
    for estimator in SHORT.values():
        for kept in ("all", "without_each", "up_to_each"):
            pool = pools(data, estimator, kept)
            for interval in ("wald", "student", "hartung_knapp", "hartung_knapp_modified"):
                bound = limits(pool, interval, 0.95)
                assert np.all(np.isfinite(bound.low) & np.isfinite(bound.high))
                assert np.all((bound.p_value > 0.0) & (bound.p_value <= 1.0))
    interval = tau2_interval(data, 0.95)
    if interval is not None:
        assert 0.0 <= interval[0] <= interval[1] < math.inf


def test_the_order_of_households_does_not_matter():
    y, v = dataset("bcg_colditz1994")
    order = np.random.default_rng(2).permutation(len(y))
    a, b = (pools(scaled(y[i], np.sqrt(v[i])), "reml", "all") for i in (np.arange(len(y)), order))
    assert b.tau2[0] == pytest.approx(a.tau2[0], rel=1e-12)
    assert b.mean[0] == pytest.approx(a.mean[0], rel=1e-12)


def test_q_profile_ends_put_q_at_its_quantiles():
    y, v = dataset("bcg_colditz1994")
    low, high = tau2_interval(scaled(y, np.sqrt(v)), 0.9)
    for tau2, tail in ((low, 0.05), (high, 0.95)):
        w = 1 / (v + tau2)
        q = np.sum(w * (y - np.sum(w * y) / w.sum()) ** 2)
        assert special.chdtrc(12, q) == pytest.approx(tail, rel=1e-9)


def test_predictions_need_degrees_of_freedom():
    pool = pools(scaled(np.array([0.1, 0.4]), np.array([0.1, 0.1])), "reml", "all")
    assert prediction(pool, "higgins_2009", 0.95) is None
    low, high = prediction(pool, "hartung_knapp_k_minus_1", 0.95)
    assert high - low > 2 * stats.t.ppf(0.975, 1) * math.sqrt(pool.tau2[0])
