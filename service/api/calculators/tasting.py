from typing import Annotated, Any

from pydantic import Field

from service.api.calculators.cautions import DRINKING
from service.api.calculators.fields import number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.intake.quantities import MILLILITRES, STRENGTH
from service.intake.strict import Strict
from service.science.drinking import AlcoholLoad, alcohol_load


class AlcoholLoadInputs(Strict):
    """A tasting plan for one taster."""

    presentations: Annotated[int, number("Presentations (sets of glasses) for one taster.", 1, 100_000, 12)]
    glasses_per_presentation: Annotated[
        int, number("Glasses in one presentation: 3 in a triangle or duo-trio, 2 in a pair, 4 in a tetrad.", 1, 20, 3)
    ]
    pour_ml: Annotated[
        float, number("Poured into each glass, in mL; 15 is plenty for a comparison.", 0.1, 1000.0, 15), MILLILITRES
    ]
    abv_percent: Annotated[float, number("Strength as served, % vol.", 0.0, 100.0, 20), STRENGTH]
    swallowed_fraction: Annotated[
        float, number("Share of the pour that is swallowed; below 1 where tasters spit. Your own guess.", 0.0, 1.0, 1.0)
    ] = 1.0
    days: Annotated[int, number("Days over which the presentations are spread evenly.", 1, 1000, 1)] = 1


class NationalUnits(Result):
    """A day's tasting in one country's unit of alcohol."""

    prose = frozenset({"guidance", "source"})

    country: str
    unit: str
    units_per_day: float
    guidance: str = Field(description="What that country advises; for the general adult public.")
    source: str


class AlcoholLoadResult(Result):
    """The alcohol of the plan, for one taster."""

    poured_ml: float
    pure_alcohol_ml: float = Field(description="Swallowed, at 20 °C.")
    grams: float = Field(description="Of alcohol swallowed in all.")
    grams_per_day: float = Field(description="Of alcohol swallowed in a day.")
    grams_per_day_all_swallowed: float = Field(description="The same if nothing is spat out.")
    national_units: list[NationalUnits]
    days_advised: int = Field(description="Fewest days that keep each below the amount from which this service warns.")
    advice: str


def _load_of(i: Any) -> AlcoholLoad:  # noqa: ANN401  one calculation or columns
    return alcohol_load(
        i.presentations,
        i.glasses_per_presentation,
        i.pour_ml,
        i.abv_percent,
        swallowed_fraction=i.swallowed_fraction,
        days=i.days,
    )


TASTING_CALCULATORS = (
    Calculator(
        name="tasting/alcohol-load",
        title="How much alcohol a tasting pours",
        summary="Twelve triangles are thirty-six glasses. This adds up the alcohol of a tasting for one taster, in "
        "grams and in several countries' units, and says when to pour less, lower the strength, spit, or take more "
        "days.",
        inputs=AlcoholLoadInputs,
        result=AlcoholLoadResult,
        compute=_load_of,
        method="Volume times strength times the density of ethanol at 20 °C (0.7893 g/mL, from memory). The amounts "
        "from which it warns, 20, 40 and 60 g in a day, are this service's own.",
        sources=(
            "UK Chief Medical Officers' low risk drinking guidelines 2016",
            "Dietary Guidelines for Americans; National Institute on Alcohol Abuse and Alcoholism",
            "National Health and Medical Research Council 2020 (Australia)",
            "Health Promotion Agency 2011 (New Zealand)",
            "Health Canada; Canadian Centre on Substance Use and Addiction 2023",
        ),
        example={"presentations": 12, "glasses_per_presentation": 3, "pour_ml": 15, "abv_percent": 20},
        cautions=(DRINKING,),
    ),
)
