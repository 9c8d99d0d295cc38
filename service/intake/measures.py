"""The quantities that documents share, each with its bounds, and values whose key's ending names their unit."""

import math
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, PlainValidator, TypeAdapter, WithJsonSchema

from service.intake.quantities import (
    CELSIUS,
    CELSIUS_SPAN,
    DAYS,
    G_PER_L,
    GRAMS,
    HOURS,
    KG_PER_M3,
    KILOGRAMS,
    LITRES,
    MILLILITRES,
    PERCENT,
    STRENGTH,
    WATTS,
    Quantity,
)
from service.intake.strict import Key, Line

_LARGEST = 1e9

Gravity = Annotated[float, Field(ge=0.95, le=1.3)]
"""Specific gravity 20/20 °C."""

Temperature = Annotated[float, Field(ge=-30, le=110), CELSIUS]
Volume = Annotated[float, Field(gt=0, le=100_000), LITRES]
VolumeOrNone = Annotated[float, Field(ge=0, le=100_000), LITRES]
"""A volume that may be nothing."""

SmallVolume = Annotated[float, Field(gt=0, le=1000), MILLILITRES]
Mass = Annotated[float, Field(ge=0, le=1e8), GRAMS]
Strength = Annotated[float, Field(ge=0, le=100), STRENGTH]
StrengthSpan = Annotated[float, Field(gt=0, le=20), STRENGTH]
Hours = Annotated[float, Field(ge=0, le=1e6), HOURS]
Days = Annotated[float, Field(gt=0, le=36_500), DAYS]
DaysOrNone = Annotated[float, Field(ge=0, le=36_500), DAYS]
"""A time that may be nothing."""

Power = Annotated[float, Field(ge=0, le=1e6), WATTS]
Number = Annotated[float, Field(ge=-_LARGEST, le=_LARGEST)]

_BY_ENDING: tuple[tuple[str, Quantity], ...] = (  # longer endings first: `_g_per_l` also ends in `_l`
    ("_kg_per_m3", KG_PER_M3),
    ("_g_per_l", G_PER_L),
    ("_percent", PERCENT),
    ("_days", DAYS),
    ("_kg", KILOGRAMS),
    ("_ml", MILLILITRES),
    ("_c", CELSIUS),
    ("_g", GRAMS),
    ("_h", HOURS),
    ("_l", LITRES),
    ("_w", WATTS),
)
_BY_UNIT = {"degc": CELSIUS, "c": CELSIUS, "°c": CELSIUS, "l": LITRES, "h": HOURS, "kg": KILOGRAMS, "g": GRAMS}


def quantity_of(key: str, unit: str = "") -> Quantity | None:
    """Return the quantity that a key's ending, or else a written unit, names; None where neither does."""
    for ending, quantity in _BY_ENDING:
        if key.endswith(ending):
            return quantity
    return _BY_UNIT.get(unit.lower())


def as_difference(quantity: Quantity) -> Quantity:
    """Return the quantity in which a tolerance is measured: a span of degrees has no offset."""
    return CELSIUS_SPAN if quantity is CELSIUS else quantity


def _by_ending(values: object) -> object:
    """Convert text with a unit where the key's ending says what the number is to be in."""
    if not isinstance(values, dict):
        return values
    return {key: _converted(key, value) for key, value in values.items()}


def _converted(key: object, value: object) -> object:
    quantity = quantity_of(key) if isinstance(key, str) else None
    return quantity.convert(value) if quantity else value


Measured = Annotated[dict[Key, Number], Field(max_length=60), BeforeValidator(_by_ending)]
"""Own measurements by name; a name that ends in a unit takes text with a unit."""

_TEXT: TypeAdapter[str] = TypeAdapter(Line)


def _condition(value: Any) -> bool | float | str:  # noqa: ANN401  it is here that the type is found out
    if isinstance(value, bool):
        return value
    if isinstance(value, (int, float)):
        if not (-_LARGEST <= value <= _LARGEST) or not math.isfinite(value):
            raise ValueError("a number here must be finite and between -1e9 and 1e9")
        return value
    if isinstance(value, str):
        try:
            return _TEXT.validate_python(value)
        except ValueError:
            raise ValueError("text here must have 1 to 200 characters, no NUL, and be valid Unicode") from None
    raise ValueError("write text, a number, or true or false")


Condition = Annotated[
    bool | int | float | str,
    PlainValidator(_condition),
    WithJsonSchema({"anyOf": [{"type": "boolean"}, {"type": "number"}, {"type": "string", "maxLength": 200}]}),
]
"""What a condition was: text, a number, or true or false."""
