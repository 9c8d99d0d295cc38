from typing import Annotated, Literal

from pydantic import Field

from service.api.calculators.registry import Calculator, Estimate, Result
from service.intake.strict import Strict
from service.science import discrimination, trial_readings

MethodName = Literal["triangle", "duo_trio", "two_afc", "three_afc", "tetrad"]

Confidence = Annotated[float, Field(ge=0.5, le=0.9999, description="Of the intervals, two-sided.")]
Presented = Annotated[int, Field(ge=1, le=1_000_000, description="Presentations served.", examples=[12])]
Correct = Annotated[int, Field(ge=0, le=1_000_000, description="How many were answered rightly.", examples=[8])]

SENSORY_SOURCES = (
    "ISO 4120 (triangle), ISO 10399 (duo-trio), ISO 5495 (paired comparison): exact binomial upper tail",
    "Ennis 1993, J. Sens. Stud. 8:353: Thurstonian psychometric functions",
    "Clopper & Pearson 1934, Biometrika 26:404: exact interval, mapped through the guessing floor",
    "Ville 1939; Ramdas, Grünwald, Vovk & Shafer 2023, Stat. Sci. 38:576: evidence valid at any time",
)


class SignificanceInputs(Strict):
    """One blind trial and its count."""

    method: MethodName = Field(description="How the glasses were presented.", examples=["triangle"])
    presented: Presented
    correct: Correct
    confidence: Confidence = 0.95


class SignificanceResult(Result):
    """What the count shows."""

    guess_probability: float = Field(description="Chance of answering one presentation rightly by guessing.")
    expected_by_chance: float = Field(description="Right answers that guessing gives on average.")
    p_value: float = Field(description="Chance that guessing does this well or better, the number fixed beforehand.")
    fewest_correct_for: dict[str, int | None] = Field(
        description="Fewest right answers for each level; null where no count of this size reaches it."
    )
    proportion_correct: Estimate
    proportion_discriminating: Estimate = Field(description="Share of servings truly told apart, floored at 0.")
    d_prime: Estimate = Field(description="Thurstonian distance; null where there is no upper limit.")
    below_chance: bool
    any_time_e_value: float | None = Field(description="Evidence against guessing that holds whenever you stop.")
    reading: str


TRIAL_CALCULATORS = (
    Calculator(
        name="trial/significance",
        title="What a blind trial's count shows",
        summary="Sets the right answers of one blind trial against guessing: exact p, intervals for how well the "
        "two can "
        "be told apart, the counts that would have been needed, and evidence that allows stopping at any time.",
        inputs=SignificanceInputs,
        result=SignificanceResult,
        compute=lambda i: discrimination.significance(i.method, i.presented, i.correct, i.confidence),
        reading=lambda _, result: trial_readings.significance_reading(result),
        method="Exact binomial test against the method's guess rate; Clopper-Pearson interval mapped through the "
        "guessing "
        "floor and the Thurstonian psychometric function; uniform-mixture e-value.",
        sources=SENSORY_SOURCES,
        example={"method": "triangle", "presented": 12, "correct": 8},
    ),
)
