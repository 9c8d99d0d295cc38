"""What a field's name says to a person: its label without the unit, its unit, and its value written with both."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.pages.figures import figure, gravity, moment, shown

# Longest first: a name that ends in `_kg_per_m3` must not be read as one that ends in `_m3`.
_UNITS = (
    ("grams_per_day_all_swallowed", "g a day"),
    ("grams_per_day", "g a day"),
    ("sg_per_day", "SG a day"),
    ("per_h", "an hour"),
    ("l_per_kg", "L/kg"),
    ("kg_per_m3", "kg/m³"),
    ("g_per_l", "g/L"),
    ("percent", "%"),
    ("plato", "°P"),
    ("days", "days"),
    ("sg", "SG"),
    ("kg", "kg"),
    ("ml", "mL"),
    ("g", "g"),
    ("l", "L"),
    ("c", "°C"),
    ("h", "h"),
    ("w", "W"),
)
LABELS: Mapping[str, str] = {
    "a": "A",
    "abv_linear_percent": "Alcohol by the linear rule",
    "abv_percent": "Alcohol by volume",
    "abv_uncertainty_percent": "Uncertainty of the alcohol",
    "abw_percent": "Alcohol by mass",
    "any_time_e_value": "Evidence, however often one looks",
    "appearance_masked": "Colour and haze hidden",
    "arm": "Arm",
    "assessor": "Taster",
    "assignment": "How vessels got their arms",
    "at_h": "Hours since pitching",
    "b": "B",
    "batch": "Vessel",
    "below_chance": "Far below guessing",
    "calibration_c": "Calibrated at",
    "co2_g_per_l": "Carbon dioxide",
    "correct": "Right",
    "d_prime": "d′",
    "days_to_finish": "Days to finish",
    "density_20c_kg_per_m3": "Density at 20 °C",
    "density_kg_per_m3": "Density",
    "descriptors": "Words for what is tasted",
    "e_value": "Evidence",
    "equivalent_original_sg": "Equivalent original gravity",
    "expected_by_chance": "Right by guessing, on average",
    "expected_final_sg": "Expected final gravity",
    "extract_g_per_l": "Extract",
    "fewest_correct": "Fewest right answers needed",
    "final_sg": "Final gravity",
    "glasses_per_presentation": "Glasses in a set",
    "grams_per_day": "Pure alcohol a day",
    "grams_per_day_all_swallowed": "Pure alcohol a day, all swallowed",
    "guess_probability": "Chance of guessing one set right",
    "h2": "H²",
    "heat_w": "Heat",
    "i2_percent": "I², from Q",
    "i2_tau2_percent": "I², from τ²",
    "is_reference": "Reference",
    "key_held_by": "Who held the key",
    "largest_e_value": "Most evidence on the way",
    "latest_sg": "Latest gravity",
    "observer_knew_the_arms": "Who read the instruments knew the arms",
    "only_a": "Only A",
    "only_b": "Only B",
    "order_draw": "How the orders were drawn",
    "original_plato": "Original extract",
    "original_sg": "Original gravity",
    "original_sg_high": "Original gravity at most",
    "original_sg_low": "Original gravity at least",
    "p_value": "p",
    "ph_end": "pH at the end",
    "pitch_c": "Temperature at pitching",
    "planned": "Sets planned",
    "plato": "Degrees Plato",
    "pour_ml": "Poured into each glass",
    "preference": "Which is liked better",
    "preferred_a": "A preferred",
    "preferred_b": "B preferred",
    "presentations": "Sets of glasses",
    "presentations_first": "Sets, by the printed tables’ rule",
    "presentations_in_all": "Sets in all",
    "presented": "Sets presented",
    "projected_final_sg": "Projected final gravity",
    "proportion_correct": "Share answered right",
    "proportion_discriminating": "Share truly told apart",
    "q": "Q",
    "reading_uncertainty_sg": "One reading is good to",
    "sample_c": "Temperature of the sample",
    "serving_c": "Temperature of the glasses",
    "sg": "Specific gravity",
    "share_preferring_a": "Share preferring A",
    "still_going_at_days": "Still going at",
    "swallowed_fraction": "Share swallowed",
    "target_c": "Temperature wanted",
    "target_sg": "Gravity wanted",
    "tasting_sample_c": "Temperature in the glass",
    "tasting_sg": "Gravity when tasted",
    "tau2": "τ²",
    "told_during": "Results heard on the way",
    "uncertainty_sg": "Uncertainty of the gravity",
    "us_proof": "US proof",
    "water_c": "Temperature of the water",
}
_ABBREVIATIONS: Mapping[str, str] = {"abv": "strength", "abw": "strength by mass", "sd": "SD", "ph": "pH", "q": "Q"}
_SMALL_GRAVITY = 0.5


def _ending(key: str) -> tuple[str, str] | None:
    return next(((ending, unit) for ending, unit in _UNITS if key == ending or key.endswith(f"_{ending}")), None)


def unit_of(key: str) -> str:
    """Tell the unit from the end of a field's name."""
    found = _ending(key)
    return "" if found is None or key in {"days", "days_to_finish"} else found[1]


def labelled(key: str) -> str:
    """Write a field's name without its unit."""
    if key in LABELS:
        return LABELS[key]
    found = _ending(key)
    bare = key if found is None or key == found[0] else key.removesuffix(f"_{found[0]}")
    text = " ".join(_ABBREVIATIONS.get(part, part) for part in bare.split("_"))
    return f"{text[:1].upper()}{text[1:]}"


_ONE_OF: Mapping[str, str] = {
    "additions": "addition",
    "arms": "arm",
    "assessors": "taster",
    "batches": "vessel",
    "descriptors": "word",
    "fractions": "fraction",
    "held_constant": "condition",
    "outcomes": "outcome",
    "pairs": "pair",
    "readings": "reading",
    "studies": "study",
    "terms": "word",
    "trials": "trial",
}


def one_of(rows: str) -> str:
    """Write what one row of a list is."""
    return _ONE_OF.get(rows, f"{labelled(rows).lower()}, row")


def written(key: str, value: object) -> str:
    """Write one value with the unit that its field's name ends in."""
    if key.endswith("_at") and isinstance(value, str):
        return moment(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return shown(value)
    unit = unit_of(key)
    if unit == "SG":
        return gravity(value) if value > _SMALL_GRAVITY else figure(value)
    return f"{figure(value)} {unit}" if unit else figure(value)


def side_by_side(documents: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    """Set the single values of several documents beside each other, one row a field."""
    columns = [dict(_facts(document)) for document in documents]
    names = dict.fromkeys(name for column in columns for name in column)
    return [(name, [column.get(name, "") for column in columns]) for name in names]


def _facts(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for key, value in document.items():
        if isinstance(value, Mapping):
            yield from _facts(value)
        elif isinstance(value, list):
            yield from _named(value)
        elif key not in {"arm", "batch", "notes"} and value not in (None, ""):
            yield labelled(key), written(key, value)


def _named(parts: Sequence[Any]) -> Iterator[tuple[str, str]]:
    """Write a list of named parts, such as the fractions of a run, one row a part."""
    for part in parts:
        if isinstance(part, Mapping) and "name" in part:
            values = [written(key, value) for key, value in part.items() if key != "name"]
            yield str(part["name"]), ", ".join(values)
