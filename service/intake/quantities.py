"""Numbers with units: a bare number is in the unit its field is named for, text is converted.

Text is matched by one regular expression and looked up in an allow-list; only a unit's plain name, never the
caller's text, reaches pint. What no factor can convert is computed.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from pydantic_core import PydanticCustomError, core_schema

from service.science import ethanol_water
from service.science.errors import InputError

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler

_TEXT = re.compile(
    r"\s*([+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})(?:[eE][+-]?\d{1,2})?)"  # the number
    r"\s*([A-Za-z%°][A-Za-z0-9%°/. ³]{0,18})\s*",  # the unit
    re.ASCII,
)
_LONGEST = 64

# What people write -> (pint's plain name, dimension). US customary measures, as their names are used by the trade.
_UNITS: dict[str, tuple[str, str]] = {
    "l": ("liter", "volume"),
    "ml": ("milliliter", "volume"),
    "cl": ("centiliter", "volume"),
    "hl": ("hectoliter", "volume"),
    "litre": ("liter", "volume"),
    "litres": ("liter", "volume"),
    "liter": ("liter", "volume"),
    "liters": ("liter", "volume"),
    "gal": ("gallon", "volume"),
    "gallon": ("gallon", "volume"),
    "gallons": ("gallon", "volume"),
    "qt": ("quart", "volume"),
    "pt": ("pint", "volume"),
    "fl oz": ("fluid_ounce", "volume"),
    "imp gal": ("imperial_gallon", "volume"),
    "m3": ("meter**3", "volume"),
    "kg": ("kilogram", "mass"),
    "g": ("gram", "mass"),
    "mg": ("milligram", "mass"),
    "lb": ("pound", "mass"),
    "lbs": ("pound", "mass"),
    "oz": ("ounce", "mass"),
    "c": ("degree_Celsius", "temperature"),
    "degc": ("degree_Celsius", "temperature"),
    "°c": ("degree_Celsius", "temperature"),
    "f": ("degree_Fahrenheit", "temperature"),
    "degf": ("degree_Fahrenheit", "temperature"),
    "°f": ("degree_Fahrenheit", "temperature"),
    "k": ("kelvin", "temperature"),
    "s": ("second", "time"),
    "min": ("minute", "time"),
    "h": ("hour", "time"),
    "hours": ("hour", "time"),
    "d": ("day", "time"),
    "day": ("day", "time"),
    "days": ("day", "time"),
    "weeks": ("week", "time"),
    "kg/m3": ("kilogram/meter**3", "density"),
    "kg/m³": ("kilogram/meter**3", "density"),
    "g/ml": ("gram/milliliter", "density"),
    "g/l": ("gram/liter", "density"),
    "kg/l": ("kilogram/liter", "density"),
    "%": ("percent", "percent"),
    "percent": ("percent", "percent"),
    "% vol": ("percent", "alcohol"),
    "% abv": ("percent", "alcohol"),
    "plato": ("percent", "extract"),
    "degp": ("percent", "extract"),
    "°p": ("percent", "extract"),
    "degbx": ("percent", "extract"),
    "°bx": ("percent", "extract"),
    "w": ("watt", "power"),
    "kw": ("kilowatt", "power"),
}


def _abv_from_us_proof(us_proof: float) -> float:
    """Percent by volume at 20 °C; proof is at 60 °F, with ethanol's density there (27 CFR 30.11)."""
    return float(ethanol_water.abv_from_mass_fraction(ethanol_water.mass_fraction_from_us_proof(us_proof)))


# What people write -> (how to compute the field's own unit, dimension): a factor would be wrong.
_COMPUTED: Mapping[str, tuple[Callable[[float], float], str]] = {"us proof": (_abv_from_us_proof, "alcohol")}

# A plain percent is whatever percent its field is; a field that says no more takes a strength too.
_TAKEN: Mapping[str, frozenset[str]] = {
    "alcohol": frozenset({"alcohol", "percent"}),
    "extract": frozenset({"extract", "percent"}),
    "percent": frozenset({"alcohol", "percent"}),
}


# The units of fields as people say them, where that isn't pint's plain name.
_SAID: Mapping[str, str] = {
    "degree_Celsius": "°C",
    "kilogram/meter**3": "kg/m³",
    "gram/liter": "g/L",
    "milliliter": "mL",
    "kilogram": "kg",
    "gram": "g",
    "hour": "hours",
    "day": "days",
    "watt": "watts",
}


@cache
def _factor(written: str, target: str) -> tuple[float, float]:
    """Scale and offset from a written unit to a target unit, by pint; affine, so two points settle it."""
    from pint import UnitRegistry  # noqa: PLC0415  building the registry costs 0.2 s that most processes never need

    registry: UnitRegistry[float] = UnitRegistry(autoconvert_offset_to_baseunit=True)
    zero = registry.Quantity(0.0, written).to(target).magnitude
    one = registry.Quantity(100.0, written).to(target).magnitude
    return (one - zero) / 100.0, zero


@cache
def _units_of(dimension: str) -> str:
    taken = _TAKEN.get(dimension, {dimension})
    known = [*_UNITS.items(), *_COMPUTED.items()]
    return ", ".join(sorted({name for name, (_, kind) in known if kind in taken}))


@dataclass(frozen=True, slots=True)
class Quantity:
    """Marks a float field as measured in `unit` (pint's name) of one dimension.

    Written after the bounds, `Annotated[float, Field(gt=0), LITRES]`, so that they hold in the field's own unit.

    `is_difference` is for tolerances: a span of degrees converts without the offset.
    """

    unit: str
    dimension: str
    is_difference: bool = False

    def convert(self, value: object) -> object:
        """Turn text with a unit into a bare number in this field's unit; leave anything else to the strict float."""
        if not isinstance(value, str):
            return value
        match = _TEXT.fullmatch(value) if len(value) <= _LONGEST else None
        if match is None:
            raise PydanticCustomError(
                "quantity_text",
                "write a bare number in {unit}, or a number and a unit of {dimension} such as {units}",
                {
                    "unit": _SAID.get(self.unit, self.unit),
                    "dimension": self.dimension,
                    "units": _units_of(self.dimension),
                },
            )
        written = " ".join(match[2].lower().split())
        known = _UNITS.get(written) or _COMPUTED.get(written)
        if known is None:
            raise PydanticCustomError(
                "quantity_unit",
                "this unit is not known here; use a bare number in {unit}, or one of {units}",
                {"unit": _SAID.get(self.unit, self.unit), "units": _units_of(self.dimension)},
            )
        way, dimension = known
        if dimension not in _TAKEN.get(self.dimension, {self.dimension}):
            raise PydanticCustomError(
                "quantity_dimension",
                "this is a unit of {given}; a unit of {dimension} is needed, such as {units}",
                {"given": dimension, "dimension": self.dimension, "units": _units_of(self.dimension)},
            )
        if isinstance(way, str):
            scale, offset = _factor(way, self.unit)
            number = float(match[1]) * scale + (0.0 if self.is_difference else offset)
            return float(f"{number:.14g}")  # 68 degF is 20 °C, not 20.000000000000043
        try:
            return way(float(match[1]))
        except InputError as error:
            raise PydanticCustomError("quantity_range", "{detail}", {"detail": error.detail}) from None

    def __get_pydantic_core_schema__(
        self, source: type[Any], handler: "GetCoreSchemaHandler"
    ) -> core_schema.CoreSchema:
        """Put the conversion before the number's own checks, so that bounds hold in the field's unit."""
        return core_schema.no_info_before_validator_function(self.convert, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: "GetJsonSchemaHandler"
    ) -> dict[str, Any]:
        """Say that text with a unit is taken too."""
        number = handler(schema)
        text = {"type": "string", "maxLength": _LONGEST, "description": f"a number and a unit of {self.dimension}"}
        return {"anyOf": [*number.get("anyOf", [number]), text]}


CELSIUS = Quantity("degree_Celsius", "temperature")
CELSIUS_SPAN = Quantity("degree_Celsius", "temperature", is_difference=True)
LITRES = Quantity("liter", "volume")
MILLILITRES = Quantity("milliliter", "volume")
KILOGRAMS = Quantity("kilogram", "mass")
GRAMS = Quantity("gram", "mass")
HOURS = Quantity("hour", "time")
DAYS = Quantity("day", "time")
PERCENT = Quantity("percent", "percent")
STRENGTH = Quantity("percent", "alcohol")
EXTRACT = Quantity("percent", "extract")
KG_PER_M3 = Quantity("kilogram/meter**3", "density")
G_PER_L = Quantity("gram/liter", "density")
WATTS = Quantity("watt", "power")
