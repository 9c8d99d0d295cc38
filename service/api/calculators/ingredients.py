"""What goes into a batch, as it is sent."""

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from service.api.calculators.fields import OneOf, number
from service.intake.quantities import EXTRACT, KILOGRAMS, LITRES
from service.intake.strict import Label
from service.science.fermentables import FERMENTABLES, Ingredient


class IngredientInputs(OneOf):
    """One ingredient: what it is, and how much of it by mass or, for a liquid, by volume."""

    one_of = ("mass_kg", "volume_l")

    name: Annotated[Label | None, Field(description="What you call it.", examples=["heather honey"])] = None
    kind: Annotated[
        str,
        Field(
            description="What it is, with the extract in 100 g: "
            + "; ".join(f"{key} ({each.title}) {each.extract_percent:g}" for key, each in FERMENTABLES.items())
            + ". Where each is from stands in the result of gravity/wash. With extract_percent given the kind hardly "
            "matters.",
            examples=["honey"],
            json_schema_extra={"enum": list(FERMENTABLES)},
        ),
    ] = "other"
    mass_kg: Annotated[float | None, number("Its mass in kg: the better way.", 0.0, 1e9, 6.0), KILOGRAMS] = None
    volume_l: Annotated[
        float | None, number("Or, for a liquid, its volume in litres at 20 °C.", 0.0, 1e9, 4.0), LITRES
    ] = None
    extract_percent: Annotated[
        float | None,
        number("Grams of extract in 100 g, where you know better than the kind does.", 0.0, 100.0, 82.0),
        EXTRACT,
    ] = None


def as_ingredients(given: Sequence[IngredientInputs]) -> list[Ingredient]:
    """Hand them to the science."""
    return [Ingredient(each.kind, each.mass_kg, each.volume_l, each.extract_percent, each.name or "") for each in given]
