"""Published and independently computed results of blind trials, entered over HTTP and read back from the evidence."""

import pytest
from scipy import stats

from tests.api.community import PROTOCOL, replication
from tests.science.pooling.figures import load

# tests/reference/pooling/binomial_random_effects.json: invented counts, fitted by two independent quadratures.
SETS = {name: case for name, case in load("binomial_random_effects.json")["sets"].items() if case["guess"] == "1/3"}
THIRD = 1 / 3


def discriminating(proportion_correct):
    return max(0.0, (proportion_correct - THIRD) / (1 - THIRD))


@pytest.fixture
def entered(village):
    """Enter households' triangle counts, each household a contributor and a replication of its own."""

    def enter(case):
        slug = village.asked(village.person())
        for correct, presented in zip(case["counts_correct"], case["counts_n"], strict=True):
            village.submitted(village.person(), replication(slug, (correct, presented)))
        return village.evidence(slug)

    return enter


@pytest.mark.parametrize("name", [name for name, case in SETS.items() if "mle" in case])
def test_the_mean_over_households_and_its_profile_interval(entered, name):
    case = SETS[name]
    block = assert_the_counts_and_the_exact_test(entered(case), case)
    mean, ends = case["mle"]["mean_p"], case["profile_ci_95"]
    fit = block["fit"]["mean_correct"]
    # The reference gives its profile's ends to 6 digits.
    assert fit["estimate"] == pytest.approx(mean, abs=1e-8)
    assert (fit["low"], fit["high"]) == pytest.approx((ends["mean_p_lower"], ends["mean_p_upper"]), abs=1e-6)
    told = block["proportion_discriminating"]
    assert told["estimate"] == pytest.approx(case["mle"]["mean_proportion_discriminating"], abs=1e-8)
    bounds = (discriminating(ends["mean_p_lower"]), discriminating(ends["mean_p_upper"]))
    assert (told["low"], told["high"]) == pytest.approx(bounds, abs=2e-6)
    assert block["fit"]["log_likelihood"] == pytest.approx(case["mle"]["loglik"], abs=1e-7)


def test_at_chance_there_is_zero_with_an_upper_limit(entered):
    case = SETS["triangle_all_at_chance_6"]
    told = assert_the_counts_and_the_exact_test(entered(case), case)["proportion_discriminating"]
    assert (told["estimate"], told["low"]) == (0.0, 0.0)
    assert 0.0 < told["high"] < 1.0


def test_all_correct_there_is_one_with_a_lower_limit(entered):
    case = SETS["triangle_all_correct_4"]
    block = assert_the_counts_and_the_exact_test(entered(case), case)
    told = block["proportion_discriminating"]
    assert told["estimate"] == 1.0
    assert told["low"] == pytest.approx(discriminating(case["pooled"]["clopper_pearson_95"][0]), abs=1e-9)
    assert block["d_prime"]["high"] is None


def test_54_tasters_who_did_two_triangles_each_are_no_better_than_guessing(village):
    """29 of 108: counts shown in a public statistics thread; p and limits by the beta and binomial of scipy.stats."""
    tasters = [(2, 2)] * 5 + [(1, 2)] * 19 + [(0, 2)] * 30
    slug = village.asked(village.person())
    made = village.submitted(village.person(), replication(slug, *tasters))
    evidence = village.evidence(slug)
    counted = evidence["counted"]
    assert (counted["households"], counted["assessors"], counted["presentations"]) == (1, 54, 108)
    block = evidence["perceivable_difference"]
    assert (block["correct"], block["presentations"]) == (29, 108)
    assert block["nobody_can_tell"]["p_value"] == pytest.approx(stats.binom.sf(28, 108, THIRD), rel=1e-9)
    upper = stats.beta.ppf(0.975, 29 + 1, 108 - 29)
    told = block["proportion_discriminating"]
    assert (told["estimate"], told["low"]) == (0.0, 0.0)
    assert told["high"] == pytest.approx(discriminating(upper), abs=1e-9)
    assert 0.03 < told["high"] < 0.05
    assert block["any_time"]["e_value"] < 1.0
    assert evidence["certainty"] == "single"
    assert "29 times in 108, where guessing averages 36" in evidence["answer"]
    assert made["report"]["summary"]


def test_14_of_24_is_reported_and_counted_once_and_touches_no_other_question(client, community):
    """P(at least 14 of 24 by guessing) = .0103 (exact binomial; ISO 4120's own test)."""
    author = community.person()
    trial = PROTOCOL["trial"] | {"presentations": 24}
    slug, other = community.asked(author, trial=trial), community.asked(author, trial=trial)
    community.submitted(community.person(), replication(slug, (8, 12)))
    community.submitted(community.person(), replication(other, (8, 12)))
    before, other_before = (client.get(f"/v1/questions/{each}/evidence") for each in (slug, other))

    person = community.person()
    headers = person.headers | {"Idempotency-Key": "24-triangles"}
    document = replication(slug, (14, 24))
    sent = client.post("/v1/replications", headers=headers, json=document)
    assert sent.status_code == 201
    (trial_report,) = sent.json()["report"]["trials"]
    assert trial_report["p_value"] == pytest.approx(0.0103, abs=5e-5)
    assert trial_report["p_value"] == pytest.approx(stats.binom.sf(13, 24, THIRD), rel=1e-9)

    after, other_after = (client.get(f"/v1/questions/{each}/evidence") for each in (slug, other))
    for name, more in (("started", 1), ("reported", 1), ("replications", 1), ("households", 1), ("presentations", 24)):
        assert after.json()["counted"][name] == before.json()["counted"][name] + more
    assert after.headers["etag"] != before.headers["etag"]
    assert (other_after.headers["etag"], other_after.content) == (other_before.headers["etag"], other_before.content)
    assert client.get(f"/v1/questions/{slug}").json()["replications"] == 2

    again = client.post("/v1/replications", headers=headers, json=document)
    assert (again.status_code, again.headers["idempotent-replayed"]) == (201, "true")
    assert again.content == sent.content
    assert client.get(f"/v1/questions/{slug}/evidence").headers["etag"] == after.headers["etag"]


def assert_the_counts_and_the_exact_test(evidence, case):
    assert evidence["counted"]["households"] == len(case["counts_n"])
    assert evidence["counted"]["presentations"] == sum(case["counts_n"])
    block = evidence["perceivable_difference"]
    assert block["outside_the_test"] == {}
    assert (block["correct"], block["presentations"]) == (case["pooled"]["correct"], case["pooled"]["n"])
    assert block["expected_by_chance"] == pytest.approx(case["pooled"]["n"] / 3)
    assert block["nobody_can_tell"]["p_value"] == pytest.approx(case["pooled"]["exact_binomial_p_upper"], rel=1e-9)
    studies = [(study["correct"], study["presented"]) for study in block["studies"]]
    assert studies == list(zip(case["counts_correct"], case["counts_n"], strict=True))
    return block


def test_the_calculator_says_the_same_of_the_same_counts(entered, sqlite_client):
    case = SETS["triangle_mixed_12"]
    block = entered(case)["perceivable_difference"]
    studies = [
        {"label": f"{number}", "method": "triangle", "presented": presented, "correct": correct}
        for number, (correct, presented) in enumerate(zip(case["counts_correct"], case["counts_n"], strict=True))
    ]
    result = sqlite_client.post("/v1/calculators/pooling/trials", json={"studies": studies}).json()["result"]
    for name in ("nobody_can_tell", "proportion_discriminating", "d_prime", "spread", "by_method", "any_time"):
        assert result[name] == block[name]
