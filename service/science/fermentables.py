"""What fermentable ingredients bring: extract, and the water that comes with it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from service.science import sugar
from service.science.checks import number, only_one
from service.science.errors import InputError
from service.science.inverse import polynomial

MEMORY: Final = "from memory"
_JUICE: Final = "Council Directive 2001/112/EC, annex V (as set by 2009/106/EC): least Brix of juice from concentrate"
_MEASURED: Final = "as given"
_CHEMISTRY: Final = "a pure sugar"


@dataclass(frozen=True, slots=True)
class Fermentable:
    """Extract in a kind of ingredient, in percent of its mass, with the range that it is met in and the source.

    `dissolves` is whether all of it goes into the liquid; a malt leaves its grain behind.
    """

    title: str
    extract_percent: float
    low: float
    high: float
    source: str
    dissolves: bool = True
    liquid: bool = False


FERMENTABLES: Final[Mapping[str, Fermentable]] = MappingProxyType(
    {
        "sucrose": Fermentable("sucrose (table sugar)", 100.0, 100.0, 100.0, _CHEMISTRY),
        "dextrose": Fermentable(
            "dextrose (glucose monohydrate)", 90.909, 90.909, 90.909, "a pure sugar: molar masses 180.156 of 198.171"
        ),
        "dextrose_anhydrous": Fermentable("dextrose, anhydrous", 100.0, 100.0, 100.0, _CHEMISTRY),
        "fructose": Fermentable("fructose", 100.0, 100.0, 100.0, _CHEMISTRY),
        "honey": Fermentable(
            "honey",
            82.0,
            80.0,
            85.0,
            f"Council Directive 2001/110/EC, annex II: at most 20 % moisture; the middle and the upper end {MEMORY}",
            liquid=True,
        ),
        "molasses": Fermentable("molasses; about half of it ferments", 80.0, 75.0, 85.0, MEMORY, liquid=True),
        "pale_malt": Fermentable("pale barley malt, laboratory extract", 78.0, 75.0, 81.0, MEMORY, dissolves=False),
        "wheat_malt": Fermentable("wheat malt, laboratory extract", 80.0, 77.0, 84.0, MEMORY, dissolves=False),
        "malt_extract_dry": Fermentable("malt extract, dry", 96.0, 94.0, 98.0, MEMORY),
        "malt_extract_syrup": Fermentable("malt extract, syrup", 80.0, 78.0, 83.0, MEMORY, liquid=True),
        "apple_juice": Fermentable("apple juice", 11.2, 11.2, 14.0, _JUICE, liquid=True),
        "grape_juice": Fermentable("grape juice", 15.9, 15.9, 25.0, _JUICE, liquid=True),
        "orange_juice": Fermentable("orange juice", 11.2, 11.2, 13.0, _JUICE, liquid=True),
        "pear_juice": Fermentable("pear juice", 11.9, 11.9, 15.0, _JUICE, liquid=True),
        "pineapple_juice": Fermentable("pineapple juice", 12.8, 12.8, 15.0, _JUICE, liquid=True),
        "water": Fermentable("water", 0.0, 0.0, 0.0, "by definition", liquid=True),
        "other": Fermentable("anything else; give its extract", 0.0, 0.0, 0.0, "the caller", liquid=True),
    }
)
"""Kinds of ingredient. The upper ends of the juices' ranges are from memory; what is weighed and measured beats all."""

_VOLUME_HIGH: Final = 85.0
"""Syrups and honey lie past the density formula's range; extrapolated to here it is within about 1 % of honey."""


@dataclass(frozen=True, slots=True)
class Ingredient:
    """Something fermentable (or water) put into a batch.

    Parameters
    ----------
    kind : str
        A key of `FERMENTABLES`.
    mass_kg, volume_l : float or None
        How much: one of the two. A volume (at 20 °C) only of a liquid.
    extract_percent : float or None
        Grams of extract in 100 g, where better known than by the kind.
    name : str
        What the maker calls it.

    """

    kind: str
    mass_kg: float | None = None
    volume_l: float | None = None
    extract_percent: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Portion:
    """What one ingredient was taken to bring: its extract in percent of its mass and in kg, and where that is from."""

    name: str
    kind: str
    mass_kg: float
    extract_percent: float
    extract_kg: float
    source: str


@dataclass(frozen=True, slots=True)
class Brought:
    """What ingredients bring to the liquid: extract with its range, and water, in kg; together and one by one."""

    extract_kg: float
    extract_low_kg: float
    extract_high_kg: float
    water_kg: float
    unsourced: tuple[str, ...]
    portions: tuple[Portion, ...]


def bring(field: str, ingredients: Sequence[Ingredient]) -> Brought:
    """Add up what ingredients bring to the liquid.

    Parameters
    ----------
    field : str
        The argument that holds them, for errors.
    ingredients : sequence of Ingredient
        In any order.

    Raises
    ------
    InputError
        With the ingredient's index, where a kind is unknown, an amount isn't given once, or a value is out of range.

    """
    extract = low = high = water = 0.0
    unsourced: list[str] = []
    portions: list[Portion] = []
    for index, each in enumerate(ingredients):
        try:
            kind, percent, mass = _measure(each)
        except InputError as error:
            raise InputError(f"{field}.{error.field}", error.detail, index) from None
        extract += 0.01 * percent * mass
        known = each.extract_percent is not None
        source = _MEASURED if known else kind.source
        portions.append(Portion(each.name, each.kind, mass, percent, 0.01 * percent * mass, source))
        low += 0.01 * (percent if known else kind.low) * mass
        high += 0.01 * (percent if known else kind.high) * mass
        if kind.dissolves:
            water += (1.0 - 0.01 * percent) * mass
        if not known and MEMORY in kind.source and each.kind not in unsourced:
            unsourced.append(each.kind)
    return Brought(extract, low, high, water, tuple(unsourced), tuple(portions))


def _measure(ingredient: Ingredient) -> tuple[Fermentable, float, float]:
    kind = FERMENTABLES.get(ingredient.kind)
    if kind is None:
        raise InputError("kind", f"must be one of {', '.join(FERMENTABLES)}.")
    given = ingredient.extract_percent
    if given is None and ingredient.kind == "other":
        raise InputError("extract_percent", "is needed for the kind 'other': grams of extract in 100 g.")
    percent = kind.extract_percent
    if given is not None:
        percent = float(number("extract_percent", given, 0.0, 100.0, "grams of extract in 100 g"))
    if only_one({"mass_kg": ingredient.mass_kg, "volume_l": ingredient.volume_l}) == "mass_kg":
        return kind, percent, float(number("mass_kg", ingredient.mass_kg, 0.0, 1e9, "a mass in kg"))
    volume = float(number("volume_l", ingredient.volume_l, 0.0, 1e9, "a volume in litres"))
    if not kind.liquid or percent > _VOLUME_HIGH:
        raise InputError("volume_l", "a volume tells nothing of a solid: weigh it and give mass_kg.")
    return kind, percent, 0.001 * volume * float(polynomial(sugar.AT_20C, 0.01 * percent))
