from typing import Annotated

from pydantic import Field

from service.api.calculators.cautions import DRINKING
from service.api.calculators.fields import Method, OneOf, Significance, number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import BINOMIAL, THURSTONE
from service.intake.quantities import MILLILITRES, STRENGTH
from service.science import trial_readings
from service.science.trial_planning import TrialPlan, trial_plan


class PlanInputs(OneOf):
    """The difference to be found, as exactly one of the two sizes, and how sure to be of finding it."""

    one_of = ("d_prime", "proportion_discriminating")

    method: Method
    d_prime: Annotated[
        float | None,
        number("Size of the difference, in standard deviations of perception (Thurstone).", 0.01, 10.0, 1.5),
    ] = None
    proportion_discriminating: Annotated[
        float | None,
        number("Or the share of servings that can truly be told apart, as a mean over households.", 0.001, 0.999, 0.3),
    ] = None
    significance: Significance = 0.05
    power: Annotated[
        float, number("Chance of showing the difference if it has this size; 0.8 is customary.", 0.5, 0.9999, 0.8)
    ] = 0.8
    households: Annotated[int, number("Households that taste, each with the same number.", 1, 200, 1)] = 1
    between_household_sd: Annotated[
        float,
        number(
            "How much households differ in telling, as a standard deviation on the logit of discriminating; 0 if "
            "alike.",
            0.0,
            3.0,
            0.5,
        ),
    ] = 0.0
    pour_ml: Annotated[
        float, number("Poured into each glass, in mL: for the alcohol count.", 0.1, 1000.0, 15), MILLILITRES
    ] = 15.0
    abv_percent: Annotated[
        float, number("Strength as served, % vol: for the alcohol count.", 0.0, 100.0, 20), STRENGTH
    ] = 20.0


class PowerPoint(Result):
    """What a trial of one length would do."""

    presentations: int = Field(description="For each household.")
    fewest_correct: int | None = Field(description="Over all households; null where no count is enough.")
    achieved_significance: float
    power: float


class Alternative(Result):
    """Another method for the same difference; null where it would need too many."""

    method: str
    proportion_discriminating: float
    direction_named: bool = Field(
        description="Whether you must name beforehand which of the two has more of something."
    )
    presentations: int | None
    presentations_first: int | None
    fewest_correct: int | None
    glasses: int | None
    poured_ml: float | None
    alcohol_g: float | None
    days: int | None


class PlanResult(Result):
    """What to serve, and what that would show."""

    d_prime: float
    proportion_discriminating: float
    presentations: int = Field(description="For each household; enough at this number and at every larger one.")
    presentations_first: int = Field(
        description="The smallest number that is enough by itself: the rule of printed tables. One more may be too few."
    )
    presentations_in_all: int = Field(description="Over all households.")
    fewest_correct: int = Field(description="Right answers over all households from which a difference is shown.")
    achieved_significance: float = Field(description="Chance that guessing gets that far.")
    achieved_power: float = Field(description="Chance of showing the difference, if it has this size.")
    power_curve: list[PowerPoint]
    glasses: int = Field(description="For one household.")
    poured_ml: float = Field(description="For one household, in mL.")
    alcohol_g: float = Field(description="For one household, in grams if all is swallowed.")
    days: int = Field(description="Days over which one household should spread them.")
    alternatives: list[Alternative] = Field(description="The other methods for the same d′.")
    reading: str


def _takes_long(inputs: PlanInputs) -> bool:
    """Small differences take many presentations to show, and households that differ a sum over each."""
    small = (inputs.d_prime or 9.0) < 1.0 or (inputs.proportion_discriminating or 1.0) < 0.2
    return small or inputs.households > 1


def _plan(inputs: PlanInputs) -> TrialPlan:
    return trial_plan(
        inputs.method,
        d_prime=inputs.d_prime,
        proportion_discriminating=inputs.proportion_discriminating,
        significance=inputs.significance,
        power=inputs.power,
        households=inputs.households,
        between_household_sd=inputs.between_household_sd,
        pour_ml=inputs.pour_ml,
        abv_percent=inputs.abv_percent,
    )


PLANNING_CALCULATORS = (
    Calculator(
        name="trial/plan",
        title="How many blind presentations it takes",
        summary="Before you pour: how many sets of glasses must be served so that a difference of a given size is "
        "likely to be shown, and how many right answers to ask for. It also says what other ways of serving would "
        "need, in glasses and in alcohol. Fix the number before the first glass.",
        inputs=PlanInputs,
        result=PlanResult,
        compute=_plan,
        reading=lambda _, plan: trial_readings.plan_reading(plan),
        method="Exact binomial power, averaged over households where they differ. presentations is enough at that "
        "number and every larger one; presentations_first is the first that is enough, as tables print it. One "
        "plan at a time and no columns: each looks through hundreds of lengths of trial.",
        sources=(
            BINOMIAL,
            THURSTONE,
            "ISO 4120:2004, table A.3; ISO 10399:2004, table A.3 (number of assessments)",
            "Ennis & Jesionka 2011, J. Sens. Stud. (the stable rule)",
        ),
        example={"method": "triangle", "proportion_discriminating": 0.3},
        cautions=(DRINKING,),
        single=True,
        heavy=_takes_long,
    ),
)
