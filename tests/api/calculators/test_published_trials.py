"""Blind trials and tastings over HTTP, against printed tables; sources in tests/reference/discrimination/SOURCES.md."""

import pytest

from tests.science.trial_figures import METHOD_FOR_GUESS, METHOD_OF, design_checks, published_counts, rows


def test_significance_against_the_printed_critical_values(calculate):
    """Critical numbers of correct answers, as food-science texts and ISO 4120 print them."""
    table = [row for row in rows("critical_values.csv") if row["sided"] == "one" and row["agreement"] == "agree"]
    table = [row for row in table if float(row["alpha"]) in {0.05, 0.01, 0.001}]
    assert len(table) > 100
    for guess, method in METHOD_FOR_GUESS.items():
        here = [row for row in table if row["p0"] == guess]
        sizes = [int(row["n"]) for row in here]
        found = calculate("trial/significance", method=method, presented=sizes, correct=[0] * len(sizes))
        for place, row in enumerate(here):
            level = f"{float(row['alpha']):g}"
            assert found["fewest_correct_for"][level][place] == published_counts(row)[0], row


def test_significance_against_worked_intervals_and_evidence(calculate):
    """intervals.csv and e_values.csv, worked in another program to five figures."""
    for row in rows("intervals.csv"):
        found = calculate(
            "trial/significance",
            method=METHOD_OF.get(row["method"], row["method"]),
            presented=int(row["presented"]),
            correct=int(row["correct"]),
        )
        assert found["proportion_correct"]["low"] == pytest.approx(float(row["p_c_low"]), abs=6e-6)
        assert found["proportion_discriminating"]["high"] == pytest.approx(float(row["p_d_high"]), abs=6e-6)
        assert found["d_prime"]["low"] == pytest.approx(float(row["d_prime_low"]), abs=6e-5)
    for row in rows("e_values.csv"):
        found = calculate(
            "trial/significance",
            method=METHOD_FOR_GUESS[row["p0"]],
            presented=int(row["presented"]),
            correct=int(row["correct"]),
        )
        assert found["any_time_e_value"] == pytest.approx(float(row["e_value"]), rel=1e-8)
        assert found["p_value"] == pytest.approx(float(row["p_value"]), rel=2e-5)


def test_the_three_readings_that_were_agreed(calculate):
    eight = calculate("trial/significance", method="triangle", presented=12, correct=8)["reading"]
    assert eight.startswith("You found the odd glass 8 times in 12. Guessing averages 4")
    assert eight.endswith("Different is not better.")
    four = calculate("trial/significance", method="triangle", presented=10, correct=4)
    assert "44 times in 100" in four["reading"]
    ten = calculate("trial/significance", method="triangle", presented=10, correct=10)
    assert ten["d_prime"]["high"] is None
    assert ten["proportion_discriminating"]["high"] == 1.0
    none = calculate("trial/significance", method="triangle", presented=2, correct=2)
    assert none["fewest_correct_for"] == {"0.05": None, "0.01": None, "0.001": None}


def test_similarity_against_the_printed_table(calculate):
    """GOST R 53161-2008 table A.3 (as ISO 10399): most correct answers that show similarity."""
    table = [row for row in rows("similarity_max_correct.csv") if row["agreement"] == "agree"]
    for beta in {row["beta"] for row in table}:
        here = [row for row in table if row["beta"] == beta and METHOD_FOR_GUESS[row["p0"]] == "duo_trio"]
        found = calculate(
            "trial/similarity",
            method="duo_trio",
            presented=[int(row["n"]) for row in here],
            correct=[0] * len(here),
            largest_tolerable_discriminating=[float(row["pd_percent"]) / 100 for row in here],
            confidence=1 - float(beta),
        )
        printed = [None if row["published_value"] == "none" else int(row["published_value"]) for row in here]
        assert found["most_correct_allowed"] == printed


def test_similarity_is_never_called_the_same(calculate):
    found = calculate("trial/similarity", method="triangle", presented=90, correct=28, tasters=90)
    assert found["similar"]
    assert found["proportion_discriminating_upper"] < 0.3
    assert "tasters like these" in found["holds_for"]
    assert "isn't the same as none" in found["reading"]


def test_sequential_ends_where_the_worked_evidence_does(calculate):
    """e_values.csv: 8 right of 12 triangles are worth 7.674125874, in whatever order they came."""
    outcomes = [True, True, False, True, True, False, True, True, False, True, True, False]
    found = calculate("trial/sequential", method="triangle", outcomes=outcomes)
    assert found["e_value"] == pytest.approx(7.674125874, rel=1e-9)
    assert len(found["path"]) == 12
    assert found["crossed_at"] is None
    crossed = calculate("trial/sequential", method="triangle", outcomes=[True] * 4 + [False] * 20)
    assert crossed["crossed_at"] == 4
    assert crossed["largest_e_value"] > 20 > crossed["e_value"]


def test_plans_against_the_printed_sample_sizes(calculate):
    """ISO 4120:2004 table A.3 and ISO 10399:2004 table A.3 (from memory, as the table says)."""
    table = [row for row in rows("sample_size.csv") if row["basis"] == "pd" and row["matches_rule"] == "first_n"]
    table = [row for row in table if row["beta"] in {"0.2", "0.1"} and float(row["alpha"]) == 0.05]
    assert len(table) >= 8
    for row in table:
        found = calculate(
            "trial/plan",
            method=METHOD_FOR_GUESS[row["p0"]],
            proportion_discriminating=float(row["pd_percent"]) / 100,
            significance=float(row["alpha"]),
            power=1 - float(row["beta"]),
        )
        assert found["presentations_first"] == int(row["published_value"]), row
        assert found["presentations"] == int(row["stable_n"])
        assert found["fewest_correct"] == int(row["stable_n_min_correct"])


def test_a_plan_counts_glasses_and_alcohol(calculate):
    found = calculate("trial/plan", method="triangle", d_prime=1.5)
    assert found["glasses"] == 3 * found["presentations"]
    assert found["poured_ml"] == 15 * found["glasses"]
    assert {each["method"] for each in found["alternatives"]} == {"duo_trio", "two_afc", "three_afc", "tetrad"}
    points = {point["presentations"]: point for point in found["power_curve"]}
    assert points[found["presentations"]]["power"] == found["achieved_power"]


def test_preference_against_the_printed_sign_test(calculate):
    """Sign test table A-7, two tails."""
    table = [row for row in rows("critical_values.csv") if row["sided"] == "two"]
    table = [(row, published_counts(row)[0]) for row in table]
    table = [(row, fewest) for row, fewest in table if fewest is not None]
    sizes = [int(row["n"]) for row, _ in table]
    reached = calculate("trial/preference", presented=sizes, preferred_a=[fewest for _, fewest in table])["p_value"]
    missed = calculate("trial/preference", presented=sizes, preferred_a=[fewest - 1 for _, fewest in table])["p_value"]
    for (row, _), at, below in zip(table, reached, missed, strict=True):
        assert at <= float(row["alpha"]) < below


def test_descriptors_against_worked_pairs(calculate):
    """paired_differences.csv: exact McNemar and Tango 1998, worked in R; one table is Agresti's."""
    table = rows("paired_differences.csv")
    terms = [{"term": row["name"], **{name: int(row[name]) for name in ("both", "only_a", "only_b", "neither")}}
             for row in table]  # fmt: skip
    found = calculate("trial/descriptors", terms=terms)["terms"]
    for each, row in zip(found, table, strict=True):
        assert each["p_value"] == pytest.approx(float(row["mcnemar_exact_p"]), rel=1e-9)
        assert each["difference"]["low"] == pytest.approx(float(row["tango_low"]), rel=1e-6)
        assert each["difference"]["high"] == pytest.approx(float(row["tango_high"]), rel=1e-6)
        assert each["adjusted_p_value"] >= each["p_value"]


def test_the_alcohol_of_a_tasting_against_worked_loads(calculate):
    """alcohol_load.csv: national units as their authorities publish them."""
    for row in (row for row in rows("alcohol_load.csv") if row["record"] == "load_example"):
        found = calculate(
            "tasting/alcohol-load",
            presentations=int(row["sets"]),
            glasses_per_presentation=int(row["glasses_per_set"]),
            pour_ml=float(row["ml_per_glass"]),
            abv_percent=float(row["abv_percent"]),
            swallowed_fraction=float(row["retained_fraction"]),
        )
        assert found["grams_per_day"] == pytest.approx(float(row["ethanol_g_at_0.7893"]), abs=5e-5)
        units = {each["country"]: each["units_per_day"] for each in found["national_units"]}
        assert units["United Kingdom"] == pytest.approx(float(row["uk_units_by_volume"]), abs=5e-5)
        assert units["United States"] == pytest.approx(float(row["us_drinks_14g"]), abs=5e-5)
    assert all(each["source"] for each in found["national_units"])


PLAN = {"method": "triangle", "presentations": 6, "arms": ["control", "treatment"]}


def test_serving_orders_are_the_enumerated_ones(calculate):
    """design_checks.json; ISO 4120:2021, 7.1: the six orders of a triangle, each equally often in a full block."""
    assert set(design_checks())
    found = calculate("tasting/serving-plan", **PLAN, tasters=12)
    assert found["order_draw"] == "blocks"
    assert found["balance"]["orders"] == dict.fromkeys(("AAB", "ABA", "BAA", "BBA", "BAB", "ABB"), 12)
    sets = [each for sheet in found["tasters"] for each in sheet["presentations"]]
    for each in sets:
        letters = [glass["letter"] for glass in each["glasses"]]
        assert "".join(letters) == each["order"]
        odd = next(glass for glass in each["glasses"] if letters.count(glass["letter"]) == 1)
        assert each["odd_one"] == odd["code"]
        assert each["right_choices"] == [[odd["code"]]]
        assert {glass["arm"] for glass in each["glasses"]} == {"control", "treatment"}
        assert len({glass["code"] for glass in each["glasses"]}) == 3
        assert all(len(glass["code"]) == 3 for glass in each["glasses"])


def test_a_seed_that_is_not_given_is_drawn_and_handed_back(calls):
    one, other = (calls.post("/v1/calculators/tasting/serving-plan", json=PLAN).json() for _ in range(2))
    assert one["inputs"]["seed"] == one["result"]["seed"] != other["result"]["seed"]
    assert len(bytes.fromhex(one["result"]["seed"])) == 32
    again = calls.post("/v1/calculators/tasting/serving-plan", json=one["inputs"]).json()
    assert again["result"] == one["result"]
    assert one["result"]["alcohol_load"] is None


def test_a_whole_number_is_a_seed_too(calls):
    def of(seed):
        return calls.post("/v1/calculators/tasting/serving-plan", json=PLAN | {"seed": seed}).json()["result"]

    assert of(255) == of("00" * 31 + "ff")
    assert of(2**256 - 1)["seed"] == "ff" * 32


@pytest.mark.parametrize(
    ("method", "glasses", "odd"), [("duo_trio", 3, True), ("two_afc", 2, False), ("tetrad", 4, False)]
)
def test_other_ways_of_serving(calculate, method, glasses, odd):
    found = calculate("tasting/serving-plan", **PLAN | {"method": method}, pour_ml=15, abv_percent=20)
    for each in found["tasters"][0]["presentations"]:
        assert len(each["glasses"]) == glasses
        assert (each["odd_one"] is not None) == odd
        assert each["glasses"][0]["is_reference"] == (method == "duo_trio")
    assert found["alcohol_load"]["poured_ml"] == 6 * glasses * 15


def test_a_sham_trial_still_tells_the_vessels_apart(calculate):
    found = calculate("tasting/serving-plan", **PLAN | {"arms": ["control", "control"]})
    assert found["sham"]
    letters = {glass["letter"] for each in found["tasters"][0]["presentations"] for glass in each["glasses"]}
    assert letters == {"A", "B"}


def test_who_is_expected_to_be_stronger_turns_the_right_answer(calculate):
    plan = PLAN | {"method": "two_afc", "seed": 7}
    a, b = (calculate("tasting/serving-plan", **plan, expected_stronger=name)["tasters"] for name in "ab")
    for one, other in zip(a[0]["presentations"], b[0]["presentations"], strict=True):
        assert {one["right_choices"][0][0], other["right_choices"][0][0]} == {g["code"] for g in one["glasses"]}
