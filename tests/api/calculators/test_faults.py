"""Whatever can't be calculated is refused with its place and what to do: never a stack trace, never a guess."""

import copy
import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.columns import numbers_of

STRENGTH = {"reading_abv_percent": 40, "sample_c": 20}
RUN = {"charge": {"volume_l": 20, "abv_percent": 10}, "fractions": [{"name": "all", "volume_l": 1, "abv_percent": 60}]}
TRIANGLE = {"method": "triangle", "presented": 12, "correct": 8}
JAR = {"name": "next", "volume_l": 1, "abv_percent": 60}

CASES = {
    "a sample above the formula's range": ("proofing/strength", STRENGTH | {"sample_c": 41}, "/sample_c", "-20 and 40"),
    "a sample below the formula's range": (
        "proofing/strength", STRENGTH | {"sample_c": -21}, "/sample_c", "-20 and 40",
    ),
    "a weak spirit below freezing": (
        "proofing/strength", {"reading_abv_percent": 8, "sample_c": -15}, "/sample_c", "freezing",
    ),
    "a volume below freezing": (
        "proofing/volume", {"volume_l": 1, "abv_percent": 5, "from_c": -10}, "/from_c", "freezing",
    ),
    "a strength over 100": (
        "proofing/volume", {"volume_l": 1, "abv_percent": 101, "from_c": 20}, "/abv_percent", "100",
    ),
    "a density of no mixture": (
        "proofing/strength", {"density_kg_per_m3": 1050, "sample_c": 20}, "/density_kg_per_m3", "pure water",
    ),
    "a sugared spirit": (
        "proofing/strength", STRENGTH | {"dissolved_solids_g_per_l": 20}, "/dissolved_solids_g_per_l", "Distil",
    ),
    "a reading and a density": ("proofing/strength", STRENGTH | {"density_kg_per_m3": 950}, "", "exactly one"),
    "a target above the start": (
        "proofing/dilution", {"volume_l": 1, "abv_percent": 40, "target_abv_percent": 50},
        "/target_abv_percent", "blend",
    ),
    "a target of nothing": (
        "proofing/dilution", {"volume_l": 1, "abv_percent": 40, "target_abv_percent": 0},
        "/target_abv_percent", "above 0",
    ),
    "no amount": ("proofing/dilution", {"abv_percent": 40, "target_abv_percent": 20}, "", "exactly one"),
    "a part with two amounts": (
        "proofing/blend",
        {"parts": [{"volume_l": 1, "abv_percent": 40}, {"volume_l": 1, "mass_kg": 1, "abv_percent": 40}]},
        "/parts/1", "exactly one",
    ),
    "a part too strong": (
        "proofing/blend", {"parts": [{"volume_l": 1, "abv_percent": 40}, {"volume_l": 1, "abv_percent": 101}]},
        "/parts/1/abv_percent", "between 0 and 100",
    ),
    "a blend of nothing": ("proofing/blend", {"parts": [{"volume_l": 0, "abv_percent": 40}]}, "/parts", "nothing"),
    "no parts": ("proofing/blend", {"parts": []}, "/parts", "at least 1"),
    "the second of two samples too hot": (
        "proofing/match", {"a": STRENGTH, "b": STRENGTH | {"sample_c": 45}}, "/b/sample_c", "-20 and 40",
    ),
    "one of two samples frozen": (
        "proofing/match", {"a": {"reading_abv_percent": 8, "sample_c": -15}, "b": STRENGTH}, "/a/sample_c", "freezing",
    ),
    "a gravity lighter than ethanol": ("gravity/scales", {"sg": 0.75}, "/sg", "70 % mass"),
    "a gravity past saturation": ("gravity/scales", {"sg": 1.5}, "/sg", "70 % mass"),
    "a final gravity above the original": (
        "gravity/attenuation", {"original_sg": 1.04, "final_sg": 1.05}, "/final_sg", "additions|added|Swap",
    ),
    "a final gravity too low to be": (
        "gravity/attenuation", {"original_sg": 1.03, "final_sg": 0.975}, "/final_sg", "lower",
    ),
    "an addition of an unknown kind": (
        "gravity/attenuation",
        {"original_sg": 1.05, "final_sg": 1.0, "volume_l": 20, "additions": [{"kind": "gold", "mass_kg": 1}]},
        "/additions/0/kind", "honey",
    ),
    "additions without a volume": (
        "gravity/attenuation", {"original_sg": 1.05, "final_sg": 1.0, "additions": [{"kind": "honey", "mass_kg": 1}]},
        "/volume_l", "needed",
    ),
    "a hot hydrometer": ("gravity/hydrometer", {"reading_sg": 1.05, "sample_c": 61}, "/sample_c", "0 and 60"),
    "a reading of no solution": ("gravity/hydrometer", {"reading_sg": 1.45, "sample_c": 20}, "/reading_sg", "Plato"),
    "a refractometer above the start": (
        "gravity/refractometer", {"original_plato": 12, "reading_plato": 13}, "/reading_plato", "original",
    ),
    "a refractometer below the end": (
        "gravity/refractometer", {"original_plato": 20, "reading_plato": 2}, "/reading_plato", "fermented",
    ),
    "the second ingredient by volume though solid": (
        "gravity/wash",
        {"volume_l": 20, "ingredients": [{"kind": "honey", "mass_kg": 3}, {"kind": "dextrose", "volume_l": 3}]},
        "/ingredients/1/volume_l", "weigh",
    ),
    "an ingredient without its amount": (
        "gravity/wash", {"volume_l": 20, "ingredients": [{"kind": "honey"}]}, "/ingredients/0", "exactly one",
    ),
    "more than dissolves": (
        "gravity/wash", {"volume_l": 2, "ingredients": [{"kind": "honey", "mass_kg": 30}]}, "/volume_l", "raise",
    ),
    "water alone": (
        "gravity/wash", {"volume_l": 2, "ingredients": [{"kind": "water", "mass_kg": 1}]}, "/ingredients", "ferments",
    ),
    "thinned to water": ("gravity/adjust", {"volume_l": 1, "sg": 1.05, "target_sg": 1.0}, "/target_sg", "above 1.000"),
    "more inverted than there is": (
        "gravity/inversion", {"sucrose_kg": 1, "inverted_fraction": 1.1}, "/inverted_fraction", "0 and 1",
    ),
    "a reading in degrees": (
        "fermentation/progress", {"readings": [{"at_h": 0, "sg": 1.05}, {"at_h": 24, "sg": 12}]},
        "/readings/1/sg", "1.050",
    ),
    "a reading before pitching": (
        "fermentation/progress", {"readings": [{"at_h": -1, "sg": 1.05}]}, "/readings/0/at_h", "pitching",
    ),
    "readings out of time order": (
        "fermentation/progress", {"readings": [{"at_h": hour, "sg": 1.05} for hour in (0, 48, 24)]},
        "/readings/2/at_h", "order of time",
    ),
    "a boiling ferment": (
        "fermentation/progress", {"readings": [{"at_h": 0, "sg": 1.05, "temperature_c": 95}]},
        "/readings/0/temperature_c", "60",
    ),
    "no readings": ("fermentation/progress", {"readings": []}, "/readings", "at least 1"),
    "steam": (
        "fermentation/pitch-mix",
        {"parts": [{"volume_l": 1, "temperature_c": 20}, {"volume_l": 1, "temperature_c": 120}]},
        "/parts/1/temperature_c", "0 and 100",
    ),
    "water too warm to cool with": (
        "fermentation/pitch-mix",
        {"parts": [{"volume_l": 1, "temperature_c": 80}], "target_c": 24, "water_c": 30}, "/water_c", "below",
    ),
    "a target without water": (
        "fermentation/pitch-mix", {"parts": [{"volume_l": 1, "temperature_c": 80}], "target_c": 24},
        "/water_c", "together",
    ),
    "more alcohol out than in": (
        "spirit-run/cuts", RUN | {"fractions": [JAR, JAR, JAR, JAR]}, "/fractions", "more than the charge",
    ),
    "the third jar below nothing": (
        "spirit-run/cuts", RUN | {"fractions": [JAR, JAR, JAR | {"volume_l": -1}]},
        "/fractions/2/volume_l", "at least|between",
    ),
    "a charge too strong": (
        "spirit-run/cuts", RUN | {"charge": {"volume_l": 20, "abv_percent": 120}}, "/charge/abv_percent", "0 and 100",
    ),
    "another charge of water": (
        "spirit-run/cuts", RUN | {"scale_to_charge": {"volume_l": 20, "abv_percent": 0}},
        "/scale_to_charge", "no alcohol",
    ),
    "a jar without a name": (
        "spirit-run/cuts", RUN | {"fractions": [{"volume_l": 1, "abv_percent": 60}]}, "/fractions/0/name", "needed",
    ),
    "more swallowed than poured": (
        "tasting/alcohol-load",
        {"presentations": 1, "glasses_per_presentation": 3, "pour_ml": 5, "abv_percent": 5, "swallowed_fraction": 2},
        "/swallowed_fraction", "0 and 1",
    ),
    "one arm": (
        "tasting/serving-plan", {"method": "triangle", "presentations": 1, "arms": ["a"]}, "/arms", "at least 2",
    ),
    "a short seed": (
        "tasting/serving-plan", {"method": "triangle", "presentations": 1, "arms": ["a", "b"], "seed": "abc"},
        "/seed", "64",
    ),
    "a seed of 257 bits": (
        "tasting/serving-plan", {"method": "triangle", "presentations": 1, "arms": ["a", "b"], "seed": 2**256},
        "/seed", "2^256",
    ),
    "a seed of a fraction": (
        "tasting/serving-plan", {"method": "triangle", "presentations": 1, "arms": ["a", "b"], "seed": 1.5},
        "/seed", "text",
    ),
    "more served than anyone plans": (
        "tasting/serving-plan", {"method": "triangle", "presentations": 1000, "arms": ["a", "b"], "tasters": 11},
        "/presentations", "10 000",
    ),
    "an unknown method": ("trial/significance", TRIANGLE | {"method": "quadrangle"}, "/method", "triangle"),
    "more correct than presented": ("trial/significance", TRIANGLE | {"correct": 13}, "/correct", "not exceed"),
    "a fraction of a glass": ("trial/significance", TRIANGLE | {"presented": 12.5}, "/presented", "whole|integer"),
    "nothing presented": ("trial/significance", TRIANGLE | {"presented": 0, "correct": 0}, "/presented", "between 1"),
    "a confidence of one": ("trial/significance", TRIANGLE | {"confidence": 1}, "/confidence", "0.5 and 0.9999"),
    "similarity with repeats by several": ("trial/similarity", TRIANGLE | {"tasters": 4}, "/tasters", "alone"),
    "similarity without a limit": (
        "trial/similarity", TRIANGLE | {"largest_tolerable_discriminating": 0},
        "/largest_tolerable_discriminating", "0.001",
    ),
    "no outcomes": ("trial/sequential", {"method": "triangle", "outcomes": []}, "/outcomes", "at least 1"),
    "an outcome of 1": (
        "trial/sequential", {"method": "triangle", "outcomes": [True, 1]}, "/outcomes/1", "true or false",
    ),
    "two sizes": (
        "trial/plan", {"method": "triangle", "d_prime": 1, "proportion_discriminating": 0.3}, "", "exactly one",
    ),
    "too small a size": ("trial/plan", {"method": "triangle", "d_prime": 0.02}, "/d_prime", "larger"),
    "nobody decided": (
        "trial/preference", {"presented": 5, "preferred_a": 0, "no_preference": 5}, "/no_preference", "fewer",
    ),
    "preferences that don't add up": (
        "trial/preference", {"presented": 5, "preferred_a": 4, "no_preference": 2}, "/preferred_a", "once",
    ),
    "a term twice": (
        "trial/descriptors",
        {"terms": [{"term": t, "both": 1, "only_a": 1, "only_b": 1, "neither": 1} for t in ("a", "b", "a")]},
        "/terms/2", "twice",
    ),
    "a term without pairs": (
        "trial/descriptors", {"terms": [{"term": "a", "both": 0, "only_a": 0, "only_b": 0, "neither": 0}]},
        "/terms/0", "pair",
    ),
    "a term counted below nothing": (
        "trial/descriptors",
        {"terms": [{"term": t, "both": 1, "only_a": -n, "only_b": 1, "neither": 1} for n, t in enumerate("ab")]},
        "/terms/1/only_a", "between 0",
    ),
    "the second study with more right than served": (
        "pooling/trials",
        {"studies": [{"label": "a"} | TRIANGLE, {"label": "b"} | TRIANGLE | {"correct": 13}]},
        "/studies/1/correct", "presented",
    ),
    "a study by an unknown method": (
        "pooling/trials", {"studies": [{"label": "a"} | TRIANGLE | {"method": "guess"}]},
        "/studies/0/method", "triangle",
    ),
    "a pool with nothing that matters": (
        "pooling/trials", {"studies": [], "smallest_difference_that_matters": 0},
        "/smallest_difference_that_matters", "proportion",
    ),
    "a weighted pool without standard errors": (
        "pooling/differences",
        {"studies": [{"label": "a", "difference": 1, "standard_error": 1}, {"label": "b", "difference": 1}],
         "estimator": "reml"},
        "/studies/1/standard_error", "household_mean",
    ),
    "an estimator that there isn't": (
        "pooling/differences", {"studies": [], "estimator": "best"}, "/estimator", "reml",
    ),
    "an interval that doesn't fit": (
        "pooling/differences", {"studies": [], "interval": "wald"}, "/interval", "student",
    ),
    "a household in two groups": (
        "pooling/differences",
        {"studies": [{"label": n, "household": "h", "difference": 1, "group": n} for n in ("a", "b")]},
        "/studies/1/group", "same",
    ),
    "a pair of counts": (
        "pooling/pairs", {"pairs": [{"control": 1, "treatment": True}]}, "/pairs/0/control", "true or false",
    ),
    "an unknown field deep inside": (
        "spirit-run/cuts", RUN | {"fractions": [JAR | {"proof": 120}]}, "/fractions/0/proof", "not known",
    ),
    "text that no terminal takes": (
        "spirit-run/cuts", RUN | {"fractions": [JAR | {"name": "a\x00b"}]}, "/fractions/0/name", "NUL",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_what_cannot_be_is_refused_by_its_place(refused, case):
    name, inputs, pointer, said = CASES[case]
    faults = refused(name, inputs)
    assert list(faults) == [pointer]
    assert any(word in faults[pointer] for word in said.split("|")), faults


@pytest.mark.parametrize("calculator", CALCULATORS, ids=lambda each: each.name)
def test_bodies_that_are_no_object_or_not_json(calls, calculator):
    path = f"/v1/calculators/{calculator.name}"
    for body in (b"[]", b"1", b'"sg"', b"null"):
        answer = calls.post(path, content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code == 422
        assert answer.json()["errors"] == [{"pointer": "", "detail": "write an object"}]
    for body, status in ((b"{", 400), (b'{"a": NaN}', 400), (b'{"a": 1, "a": 2}', 400), (b"\xff", 400), (b"", 422)):
        assert calls.post(path, content=body, headers={"Content-Type": "application/json"}).status_code == status
    assert calls.post(path, content=b"{}", headers={"Content-Type": "text/plain"}).status_code == 415
    assert calls.post(path, content=b"{}").status_code == 415
    assert calls.put(path, json={}).status_code == 405


@pytest.mark.parametrize("calculator", [each for each in CALCULATORS if each.answers_get], ids=lambda each: each.name)
def test_doubled_and_unknown_names_in_a_query(calls, calculator):
    name, value = next(iter(calculator.example.items()))
    path = f"/v1/calculators/{calculator.name}"
    doubled = calls.get(path, params=[*calculator.example.items(), (name, value)])
    assert [fault["pointer"] for fault in doubled.json()["errors"]] == [f"query/{name}"]
    unknown = calls.get(path, params={**calculator.example, "colour": "brown"})
    assert [fault["pointer"] for fault in unknown.json()["errors"]] == ["query/colour"]
    assert "brown" not in unknown.text


ODD = [
    *(0, -0.0, -1, 1, 0.5, 0.999999, 1.0000001, 20, 100, 1e-300, 1e300, -1e300, 1e17, 2**53, 2**63, 10**25, 10**400),
    *(True, False, None, "", "x", "1 l", "68 degF", "\x00", "é" * 300, [], {}),
]


def places(value, steps=()):
    """Every place within a document, the document itself aside."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, part in inner:
        yield (*steps, step)
        yield from places(part, (*steps, step))


def with_value(document, steps, value):
    document = copy.deepcopy(document)
    part = document
    for step in steps[:-1]:
        part = part[step]
    part[steps[-1]] = value
    return document


@given(data=st.data())
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_nothing_that_is_sent_makes_a_calculator_fail(calls, data):
    calculator = data.draw(st.sampled_from(CALCULATORS))
    document = dict(calculator.example)
    numbers = numbers_of(calculator.inputs) if calculator.takes_columns else {}
    chosen = st.lists(st.sampled_from(list(places(document))), min_size=1, max_size=2, unique_by=lambda steps: steps[0])
    for steps in data.draw(chosen):
        value = data.draw(st.sampled_from(ODD) | st.floats(allow_nan=False, allow_infinity=False))
        in_a_column = steps[0] in numbers and data.draw(st.booleans())
        document = with_value(document, steps, [value, value] if in_a_column else value)
    answer = calls.post(f"/v1/calculators/{calculator.name}", json=document)
    assert answer.status_code in {200, 422}, answer.text
    assert "NaN" not in answer.text
    if answer.status_code == 422:
        assert answer.json()["errors"]


@pytest.mark.parametrize("calculator", [each for each in CALCULATORS if each.takes_columns], ids=lambda each: each.name)
def test_no_figure_of_an_answer_is_without_end(calls, calculator):
    answer = calls.post(f"/v1/calculators/{calculator.name}", json=calculator.example)
    assert all(math.isfinite(leaf) for leaf in figures(answer.json()["result"]))


def figures(value):
    if isinstance(value, dict):
        return [leaf for part in value.values() for leaf in figures(part)]
    if isinstance(value, list):
        return [leaf for part in value for leaf in figures(part)]
    return [value] if isinstance(value, (int, float)) else []
