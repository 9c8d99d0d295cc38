from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from service.api.calculators.cautions import HEATED_VAPOUR, HOT, LAW, METHANOL, SEALED
from service.api.calculators.fields import number
from service.api.calculators.ingredients import IngredientInputs, as_ingredients
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import BALLING, ICUMSA, OIML_R22
from service.intake.quantities import KILOGRAMS, LITRES
from service.intake.strict import Strict
from service.science import wash

_FRUIT = frozenset({"apple_juice", "grape_juice", "orange_juice", "pear_juice", "pineapple_juice", "other"})
"""Kinds that may bring pectin; `other` may be fruit too."""


class WashInputs(Strict):
    """What goes in, how much it comes to, and how far it should ferment."""

    volume_l: Annotated[
        float,
        number("Volume of the finished batch, ingredients included, in litres at 20 °C.", 1e-6, 1e9, 23.0),
        LITRES,
    ]
    ingredients: Annotated[
        list[IngredientInputs], Field(min_length=1, max_length=200, description="What goes in besides water.")
    ]
    final_sg: Annotated[
        float,
        number(
            "Gravity where fermentation should end: 0.990 for simple sugars, 1.005 to 1.015 for malt (common "
            "practice, no source).",
            0.97,
            1.349,
            0.99,
        ),
    ] = 0.990


class Portion(Result):
    """What one ingredient was taken to bring."""

    name: str
    kind: str
    mass_kg: float
    extract_percent: float = Field(description="Grams of extract in 100 g of it.")
    extract_kg: float
    source: str = Field(description="Where its extract is from.")


class WashResult(Result):
    """The batch before fermentation, and what it may become."""

    original_sg: float = Field(description="Specific gravity 20/20 °C before fermentation.")
    original_plato: float = Field(description="Grams of extract in 100 g.")
    extract_kg: float = Field(description="What can be dissolved of the ingredients.")
    potential_abv_percent: float = Field(description="% vol at 20 °C if it ferments to the final gravity.")
    pure_alcohol_l: float = Field(
        description="Alcohol made, in litres at 20 °C; a little under strength times volume, as the liquid shrinks."
    )
    water_kg: float = Field(
        description="Water to add beyond the ingredients; grain keeps about its own weight besides."
    )
    original_sg_low: float = Field(description="If the ingredients hold as little extract as their kinds may.")
    original_sg_high: float = Field(description="If they hold as much.")
    unsourced: list[str] = Field(description="Kinds whose extract is from memory: measure them.")
    portions: list[Portion] = Field(description="The ingredients in their order.")


class AdjustInputs(Strict):
    """An unfermented batch as it is and as it should be."""

    volume_l: Annotated[float, number("Volume now, in litres at 20 °C.", 0.0, 1e9, 20.0), LITRES]
    sg: Annotated[float, number("Gravity now, 20/20 °C.", 1.0, 1.349, 1.06)]
    target_sg: Annotated[float, number("Gravity wanted, 20/20 °C.", 1.0, 1.349, 1.05)]


class AdjustResult(Result):
    """What to add; one of the two is 0."""

    add_water_l: float = Field(description="Water to add, in litres at 20 °C.")
    add_sucrose_kg: float = Field(description="Table sugar to add, in kg.")
    final_volume_l: float = Field(description="Volume after that, in litres at 20 °C.")


class InversionInputs(Strict):
    """Sucrose, and how much of it is split."""

    sucrose_kg: Annotated[float, number("Sucrose before, in kg.", 0.0, 1e9, 1.0), KILOGRAMS]
    inverted_fraction: Annotated[float, number("Share of it that is split.", 0.0, 1.0, 1.0)] = 1.0


class InversionResult(Result):
    """What it has become."""

    glucose_kg: float
    fructose_kg: float
    sucrose_left_kg: float
    water_taken_up_kg: float = Field(description="Water that the split takes into the sugar.")
    mass_gain_percent: float = Field(description="By how much the sugar gets heavier.")


def _wash_cautions(inputs: WashInputs) -> Sequence[str]:
    fruit = (METHANOL,) if any(each.kind in _FRUIT for each in inputs.ingredients) else ()
    return (SEALED, f"If it is to be distilled: {HEATED_VAPOUR[0].lower()}{HEATED_VAPOUR[1:]}", LAW, *fruit)


BATCH_CALCULATORS = (
    Calculator(
        name="gravity/wash",
        title="What a recipe comes to",
        summary="Put in what you mean to ferment, by weight, and how much liquid it makes. It says the gravity at the "
        "start, how strong it can become, and how much water to add.",
        inputs=WashInputs,
        result=WashResult,
        compute=lambda i: wash.wash(i.volume_l, as_ingredients(i.ingredients), i.final_sg),
        method="Mass balance: all extract counted as sucrose by the ICUMSA density; alcohol by Balling's relation. "
        "Extracts of kinds with a published source carry it; the rest are named in unsourced.",
        sources=(
            ICUMSA,
            BALLING,
            OIML_R22,
            "Council Directive 2001/110/EC, annex II (honey); 2001/112/EC, annex V (juices)",
        ),
        example={"volume_l": 20, "ingredients": [{"name": "heather honey", "kind": "honey", "mass_kg": 6}]},
        cautions=_wash_cautions,
    ),
    Calculator(
        name="gravity/adjust",
        title="Water or sugar to reach a gravity",
        summary="The batch turned out stronger or weaker than planned, and nothing has fermented yet. It says how much "
        "water thins it, or how much table sugar lifts it, to the gravity you want.",
        inputs=AdjustInputs,
        result=AdjustResult,
        compute=lambda i: wash.adjust(i.volume_l, i.sg, i.target_sg),
        method="Mass balance at 20 °C over the ICUMSA density of sucrose solutions; volumes don't add up, masses do.",
        sources=(ICUMSA,),
        example={"volume_l": 20, "sg": 1.06, "target_sg": 1.05},
    ),
    Calculator(
        name="gravity/inversion",
        title="What splitting sucrose makes of it",
        summary="Heat with acid, or an enzyme, splits table sugar into glucose and fructose, and takes up water on "
        "the way. It says how much of each there is afterwards.",
        inputs=InversionInputs,
        result=InversionResult,
        compute=lambda i: wash.invert_sucrose(i.sucrose_kg, i.inverted_fraction),
        method="Mass balance from molar masses: C12H22O11 + H2O gives C6H12O6 twice.",
        sources=("Molar masses 342.29648, 18.01528 and 180.15588 g/mol (IUPAC standard atomic weights)",),
        example={"sucrose_kg": 1},
        cautions=(f"Hot syrup sticks and burns deeper than water. {HOT}",),
    ),
)
