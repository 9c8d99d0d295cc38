"""Pools over HTTP, against figures made by R; data sets and sources in tests/reference/pooling."""

import math

import pytest

from tests.science.pooling.figures import columns, load

EXPECTED = load("expected.json")
MIXED = load("binomial_random_effects.json")["sets"]["triangle_mixed_12"]
SEQUENTIAL = load("sequential.json")


def triangles(counts, households=None):
    return [
        {"label": f"row {n}", "method": "triangle", "presented": presented, "correct": correct}
        | ({"household": households[n]} if households else {})
        for n, (correct, presented) in enumerate(counts)
    ]


def test_trials_against_independent_quadrature(calculate):
    """binomial_random_effects.json: guessing-floor model by two quadratures; sequential.json: the evidence."""
    counts = zip(MIXED["counts_correct"], MIXED["counts_n"], strict=True)
    found = calculate("pooling/trials", studies=triangles(counts))
    assert (found["households"], found["presentations"], found["correct"]) == (12, 212, 126)
    assert found["nobody_can_tell"]["p_value"] == pytest.approx(MIXED["pooled"]["exact_binomial_p_upper"], rel=1e-10)
    assert found["fit"]["mu"] == pytest.approx(MIXED["mle"]["mu"], rel=1e-8)
    assert found["spread"]["sd"] == pytest.approx(MIXED["mle"]["tau"], rel=1e-8)
    share = MIXED["mle"]["mean_proportion_discriminating"]
    assert found["proportion_discriminating"]["estimate"] == pytest.approx(share, abs=1e-9)
    low, high = SEQUENTIAL["hedged_capital_example"]["interval_each_t"][-1]
    exact = found["any_time"]["exact_interval"]
    assert (exact["low"], exact["high"]) == pytest.approx((low, high), abs=1e-10)
    last = SEQUENTIAL["example_triangle"]["random_effects_mixture"]["log_e"][-1]
    assert found["any_time"]["e_value"] == pytest.approx(math.exp(last), rel=1e-9)
    assert [study["label"] for study in found["studies"]] == [f"row {n}" for n in range(12)]
    assert len(found["leave_one_out"]) == 12
    assert found["verdict"] == "real_but_may_be_too_small"


@pytest.mark.parametrize("name", ["pooling/trials", "pooling/differences", "pooling/pairs"])
def test_a_pool_of_nothing_says_so(calculate, name):
    found = calculate(name, **{"pairs" if name.endswith("pairs") else "studies": []})
    assert found["households"] == 0
    assert found["withheld"]
    assert "No household has reported" in found.get("reading", "No household has reported")


@pytest.mark.parametrize("households", [1, 2])
def test_few_households_have_no_range(calculate, households):
    found = calculate("pooling/trials", studies=triangles([(8, 12)] * households))
    assert found["households"] == households
    assert found["withheld"]
    assert found["spread"]["sd"] is None
    assert found["any_time"]["interval"] == {"low": None, "high": None}
    studies = [{"label": str(n), "difference": 0.1 * (n + 1)} for n in range(households)]
    found = calculate("pooling/differences", studies=studies)
    assert (found["low"], found["high"]) == (None, None)
    assert found["estimate"] == pytest.approx(0.1 if households == 1 else 0.15)
    assert {"low, high"} <= {each["output"] for each in found["withheld"]}


def test_rows_of_one_household_count_once(calculate):
    found = calculate("pooling/trials", studies=triangles([(8, 12), (5, 12), (6, 10)], ["h1", "h1", None]))
    assert found["households"] == 2
    assert [study["household"] for study in found["studies"]][:2] == ["h1", "h1"]


def test_several_methods_share_d_prime_alone(calculate):
    studies = [
        {"label": "a", "method": "triangle", "presented": 12, "correct": 8},
        {"label": "b", "method": "two_afc", "presented": 12, "correct": 10},
        {"label": "c", "method": "tetrad", "presented": 10, "correct": 6},
    ]
    found = calculate("pooling/trials", studies=studies)
    assert found["proportion_discriminating"] == {"estimate": None, "low": None, "high": None}
    assert found["d_prime"]["low"] < found["d_prime"]["estimate"] < found["d_prime"]["high"]
    assert {each["method"] for each in found["by_method"]} == {"triangle", "two_afc", "tetrad"}


def test_all_correct_has_no_upper_limit(calculate):
    found = calculate("pooling/trials", studies=triangles([(10, 10)] * 6))
    assert found["d_prime"]["estimate"] is None
    assert found["d_prime"]["high"] is None
    assert found["proportion_discriminating"]["high"] == 1.0


def test_differences_against_metafor(calculate):
    """Colditz et al. 1994 JAMA 271:698, by R 4.2.2 and metafor 3.8.1."""
    case = EXPECTED["datasets"]["bcg_colditz1994"]
    expected, table = case["expected"], columns(case["file"])
    studies = [
        {"label": f"row {n}", "difference": y, "standard_error": math.sqrt(v)}
        for n, (y, v) in enumerate(zip(table["yi"], table["vi"], strict=True))
    ]
    found = calculate("pooling/differences", studies=studies)
    assert (found["estimator"], found["interval"]) == ("reml", "hartung_knapp_modified")
    assert found["estimate"] == pytest.approx(expected["reml"]["estimate"], rel=1e-8)
    assert found["low"] == pytest.approx(expected["reml"]["hksj_max1"]["lower"], rel=1e-8)
    assert found["tau2"]["estimate"] == pytest.approx(expected["reml"]["tau2"], rel=1e-8)
    assert found["q"]["value"] == pytest.approx(expected["heterogeneity"]["Q"], rel=1e-10)
    assert found["i2_percent"] == pytest.approx(expected["heterogeneity"]["i2_percent_Q_based"], rel=1e-8)
    left = found["robustness"]["leave_one_out"][3]
    assert left["estimate"] == pytest.approx(expected["leave_one_out"][3]["reml_estimate"], rel=1e-8)
    assert sum(found["weights_percent"]) == pytest.approx(100)
    for estimator in ("paule_mandel", "dersimonian_laird", "maximum_likelihood", "common"):
        other = calculate("pooling/differences", studies=studies, estimator=estimator, interval="wald")
        assert (other["estimator"], other["interval"]) == (estimator, "wald")


def test_differences_against_students_own_sleepers(calculate):
    """Student 1908, Biometrika 6:1, by base R."""
    case = EXPECTED["paired_one_batch_per_arm"]["paired_sleep_student1908"]
    table = columns(case["file"])
    values = next(table[name] for name in table if name.startswith("diff"))
    studies = [{"label": f"row {n}", "difference": value} for n, value in enumerate(values)]
    found = calculate("pooling/differences", studies=studies, smallest_difference_that_matters=1.0)
    assert (found["estimator"], found["interval"]) == ("household_mean", "student")
    assert found["estimate"] == pytest.approx(case["expected"]["mean"], rel=1e-10)
    assert (found["low"], found["high"]) == pytest.approx(
        (case["expected"]["lower"], case["expected"]["upper"]), rel=1e-10
    )
    assert found["p_value"] == pytest.approx(case["expected"]["p"], rel=1e-10)
    assert found["sign_count"]["p_value"] == pytest.approx(
        case["expected"]["sign_test"]["p_two_sided_exact"], rel=1e-10
    )
    assert found["verdict"] is not None
    assert found["any_time"]["low"] < found["low"]


def test_conditions_between_households(calculate):
    studies = [
        {"label": f"row {n}", "difference": 0.2 * n + (-1) ** n * 0.1, "moderator": float(n),
         "group": "pot" if n % 2 else "column"}
        for n in range(10)
    ]  # fmt: skip
    found = calculate("pooling/differences", studies=studies)
    assert found["moderator"]["slope"]["estimate"] == pytest.approx(0.2, abs=0.03)
    assert {group["group"] for group in found["subgroups"]["groups"]} == {"pot", "column"}


@pytest.mark.parametrize("name", EXPECTED["paired_binary"])
def test_pairs_against_r(calculate, name):
    """McNemar mid-p, Tango 1998, exact conditional odds ratio: R 4.2.2 and scipy."""
    case = EXPECTED["paired_binary"][name]
    counts = {(True, True): "both_yes", (True, False): "only_B", (False, True): "only_A", (False, False): "both_no"}
    pairs = [
        {"control": control, "treatment": treatment}
        for (control, treatment), which in counts.items()
        for _ in range(case[which])
    ]
    if len(pairs) > 10_000:
        pytest.skip("more pairs than one call takes")
    found = calculate("pooling/pairs", pairs=pairs)
    assert found["p_value"] == pytest.approx(case["mcnemar_mid_p"], rel=1e-10)
    assert found["exact_p_value"] == pytest.approx(case["mcnemar_exact_p"], rel=1e-10)
    low, high = case["score_interval_tango1998"]
    assert found["risk_difference"]["low"] == pytest.approx(low, rel=1e-9, abs=1e-10)
    assert found["risk_difference"]["high"] == pytest.approx(high, rel=1e-9, abs=1e-10)
    assert found["pairs"]["only_treatment"] == case["only_A"]
    if "conditional_or_exact_interval" in case:
        low, high = case["conditional_or_exact_interval"]
        assert found["conditional_odds_ratio"]["low"] == pytest.approx(low, rel=1e-9)
        assert (found["conditional_odds_ratio"]["high"] is None) == (high is None)
