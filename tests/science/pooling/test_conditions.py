import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from service.science.errors import InputError
from service.science.pooling.conditions import asymmetry, between_groups, group_regression, groups_of, moderation
from service.science.pooling.difference_results import DifferenceStudy
from service.science.pooling.differences import pool_differences
from service.science.pooling.household_values import household_values
from service.science.pooling.random_effects import heterogeneity, pools, scaled
from service.science.pooling.regression import egger, mixed_regression
from tests.science.pooling.figures import columns, load

DATASETS = load("expected.json")["datasets"]
MODERATED = [name for name in DATASETS if "meta_regression" in DATASETS[name]["expected"]]
GROUPED = [name for name in DATASETS if "subgroups" in DATASETS[name]["expected"]]


def rows(name, moderator=None, group=None):
    table = columns(DATASETS[name]["file"])
    none = [None] * len(table["yi"])
    x = table[moderator] if moderator else none
    names = table[group] if group else none
    columns_ = zip(table["yi"], table["vi"], x, names, strict=True)
    return [
        DifferenceStudy(f"row {i}", y, None, math.sqrt(v), number if isinstance(number, float) else None, name)
        for i, (y, v, number, name) in enumerate(columns_)
    ]


@pytest.mark.parametrize("name", MODERATED)
def test_regression_on_one_moderator(name):
    """R: REML with Knapp & Hartung 2003; sources of the data sets in SOURCES.md."""
    expected = DATASETS[name]["expected"]["meta_regression"]
    found, withheld = moderation(household_values(rows(name, expected["moderator"])), 0.95)
    assert withheld == []
    assert found.households == expected["rows_used"]
    assert found.degrees_of_freedom == expected["QE_df"]
    assert found.tau2 == pytest.approx(expected["tau2_residual"], rel=1e-8)
    assert found.r2_percent == pytest.approx(expected["r2_percent_of_heterogeneity"], rel=1e-7, abs=1e-9)
    for part, coefficient in (("slope", found.slope), ("intercept", found.intercept)):
        figures = expected[part]
        assert coefficient.estimate == pytest.approx(figures["estimate"], rel=1e-8)
        assert coefficient.standard_error == pytest.approx(figures["se_hk"], rel=1e-8)
        assert coefficient.low == pytest.approx(figures["hk_lower"], rel=1e-7)
        assert coefficient.high == pytest.approx(figures["hk_upper"], rel=1e-7)
    assert found.slope.p_value == pytest.approx(expected["slope"]["p_hk"], rel=1e-7)


@pytest.mark.parametrize("name", MODERATED)
def test_regression_by_itself(name):
    expected = DATASETS[name]["expected"]["meta_regression"]
    table = columns(DATASETS[name]["file"])
    there = [i for i, x in enumerate(table[expected["moderator"]]) if isinstance(x, float)]
    y, v, x = (np.array([table[column][i] for i in there]) for column in ("yi", "vi", expected["moderator"]))
    fit = mixed_regression(scaled(y, np.sqrt(v)), np.column_stack((np.ones(len(x)), x)))
    assert fit.qe == pytest.approx(expected["QE"], rel=1e-8)
    assert fit.qe_p_value == pytest.approx(expected["QE_p"], rel=1e-7)
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(expected["slope"]["se_wald"], rel=1e-7)
    assert math.sqrt(fit.covariance[0, 0]) == pytest.approx(expected["intercept"]["se_wald"], rel=1e-7)


@pytest.mark.parametrize("name", GROUPED)
def test_groups_under_one_common_variance(name):
    expected = DATASETS[name]["expected"]["subgroups"]
    table = columns(DATASETS[name]["file"])
    y, v = np.array(table["yi"]), np.array(table["vi"])
    names = sorted(set(table[expected["factor"]]))
    place = np.array([names.index(each) for each in table[expected["factor"]]])
    common = expected["reml_common_tau2"]
    fit = group_regression(scaled(y, np.sqrt(v)), place, len(names))
    assert fit.tau2 == pytest.approx(common["tau2"], rel=1e-8)
    assert between_groups(fit) == pytest.approx(common["wald_chi2"], rel=1e-7)
    assert between_groups(fit) / common["df"] / fit.q == pytest.approx(common["hk_F"], rel=1e-7)
    q = heterogeneity(scaled(y, np.sqrt(v)), 0.0).q
    estimates, errors = [], []
    for i, each in enumerate(names):
        part = scaled(y[place == i], np.sqrt(v[place == i]))
        within = heterogeneity(part, 0.0).q
        assert within == pytest.approx(expected["common_effect"]["Q_within"][each], rel=1e-10)
        q -= within
        pool, figures = pools(part, "reml", "all"), expected["reml_separate_tau2"]["groups"][each]
        assert pool.tau2[0] == pytest.approx(figures["tau2"], rel=1e-8, abs=1e-14)
        assert pool.mean[0] == pytest.approx(figures["estimate"], rel=1e-8)
        assert pool.error[0] == pytest.approx(figures["se_wald"], rel=1e-8)
        estimates.append(pool.mean[0])
        errors.append(pool.error[0])
    assert q == pytest.approx(expected["common_effect"]["Q_between"], rel=1e-9)
    separate = heterogeneity(scaled(np.array(estimates), np.array(errors)), 0.0).q
    assert separate == pytest.approx(expected["reml_separate_tau2"]["Q_between"], rel=1e-7)


def test_groups_of_three_or_more_get_the_f_test():
    name = "passive_smoking_hackshaw1998"
    expected = DATASETS[name]["expected"]["subgroups"]["reml_common_tau2"]
    found, withheld = groups_of(household_values(rows(name, group="design")), 0.95)
    assert withheld == []
    assert found.f == pytest.approx(expected["hk_F"], rel=1e-7)
    assert (found.degrees_of_freedom_between, found.degrees_of_freedom_within) == (1, 35)
    assert found.p_value == pytest.approx(expected["hk_p"], rel=1e-7)
    assert [each.households for each in found.groups] == [4, 33]
    assert all(each.low < each.estimate < each.high for each in found.groups)


def test_a_group_of_two_is_listed_and_not_tested():
    found, withheld = groups_of(household_values(rows("bcg_colditz1994", group="allocation")), 0.95)
    assert {each.group: each.households for each in found.groups} == {"random": 7, "alternate": 2, "systematic": 4}
    assert found.p_value is None
    assert [each.output for each in withheld] == ["subgroups.p_value"]
    assert next(each for each in found.groups if each.group == "alternate").low is None


@pytest.mark.parametrize("name", DATASETS)
def test_small_study_regressions(name):
    """Egger et al. 1997 BMJ 315:629."""
    expected = DATASETS[name]["expected"]["egger"]
    table = columns(DATASETS[name]["file"])
    y, error = np.array(table["yi"]), np.sqrt(table["vi"])
    figures = expected["classic_ols_of_y_over_se_on_1_over_se"]
    fit = egger(y, error)
    assert fit.intercept == pytest.approx(figures["intercept"], rel=1e-8)
    assert fit.standard_error == pytest.approx(figures["se"], rel=1e-8)
    assert (fit.t, fit.slope) == pytest.approx((figures["t"], figures["slope"]), rel=1e-8)
    assert fit.p_value == pytest.approx(figures["p"], rel=1e-8)
    figures = expected["random_effects_se_moderator_reml"]
    fit = mixed_regression(scaled(y, error), np.column_stack((np.ones(len(y)), error)))
    assert fit.coefficients == pytest.approx([figures["limit_estimate_at_se_0"], figures["slope_on_se"]], rel=1e-7)
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(figures["se"], rel=1e-7)
    shown, withheld = asymmetry(household_values(rows(name)))
    assert (shown.intercept is not None) == expected["show_to_users"]
    assert bool(withheld) != expected["show_to_users"]


def test_equal_errors_show_no_asymmetry():
    studies = [DifferenceStudy(str(i), 0.1 * i, standard_error=0.5) for i in range(12)]
    shown, withheld = asymmetry(household_values(studies))
    assert shown.intercept is None
    assert "hardly vary" in withheld[0].reason


def test_without_standard_errors_a_moderator_is_least_squares():
    rng = np.random.default_rng(3)
    x, y = rng.normal(1980, 5, 15), rng.normal(0, 1, 15)
    studies = [DifferenceStudy(str(i), a, moderator=b) for i, (a, b) in enumerate(zip(y, x, strict=True))]
    found, _ = moderation(household_values(studies), 0.95)
    oracle = sm.OLS(y, sm.add_constant(x)).fit()
    assert found.slope.estimate == pytest.approx(oracle.params[1], rel=1e-8)
    assert found.slope.standard_error == pytest.approx(oracle.bse[1], rel=1e-8)
    assert found.slope.p_value == pytest.approx(oracle.pvalues[1], rel=1e-8)
    assert (found.intercept.low, found.intercept.high) == pytest.approx(tuple(oracle.conf_int()[0]), rel=1e-7)
    assert found.tau2 == pytest.approx(oracle.mse_resid, rel=1e-8)


def test_without_standard_errors_groups_are_an_analysis_of_variance():
    rng = np.random.default_rng(4)
    parts = [rng.normal(shift, 1, size) for shift, size in ((0, 5), (1, 4), (0.3, 6))]
    studies = [DifferenceStudy(f"{g}{i}", v, group=f"g{g}") for g, part in enumerate(parts) for i, v in enumerate(part)]
    found, _ = groups_of(household_values(studies), 0.95)
    oracle = stats.f_oneway(*parts)
    assert found.f == pytest.approx(oracle.statistic, rel=1e-8)
    assert found.p_value == pytest.approx(oracle.pvalue, rel=1e-8)
    assert [each.estimate for each in found.groups] == pytest.approx([part.mean() for part in parts])


@pytest.mark.parametrize(
    ("moderators", "word"), [([1.0, 2.0, 3.0], "10 are needed"), ([2.0] * 12, "the same"), ([1.0] * 5, "10 are needed")]
)
def test_moderators_that_can_show_nothing_are_withheld(moderators, word):
    studies = [DifferenceStudy(str(i), 0.1 * i, moderator=m) for i, m in enumerate(moderators)]
    found, withheld = moderation(household_values(studies), 0.95)
    assert found.slope.estimate is None
    assert word in withheld[0].reason


@pytest.mark.parametrize("least", [1e-300, 1e-80])
def test_an_asymmetry_is_not_looked_for_by_errors_of_next_to_nothing(least):
    y = np.linspace(-1.0, 1.0, 12)
    error = np.linspace(0.1, 0.5, 12)
    error[3] = least
    with pytest.raises(InputError) as refused:
        egger(y, error)
    assert refused.value.index == 3
    studies = [DifferenceStudy(f"row {i}", *each) for i, each in enumerate(zip(y, [None] * 12, error, strict=True))]
    result = pool_differences(studies)
    assert result.small_study.intercept is None
    assert any(each.output == "small_study" for each in result.withheld)
