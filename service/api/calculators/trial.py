from typing import Annotated

from pydantic import Field

from service.api.calculators.fields import Confidence, Correct, Method, Presented, Significance, number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import ANY_TIME, BINOMIAL, CLOPPER_PEARSON, THURSTONE
from service.evidence.blocks import Estimate, Figure
from service.intake.strict import Strict
from service.science import discrimination, trial_readings


class SignificanceInputs(Strict):
    """One blind trial and its count."""

    method: Method
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
    proportion_correct: Estimate = Field(description="Share answered rightly, guesses and all; not floored.")
    proportion_discriminating: Estimate = Field(description="Share of servings truly told apart, floored at 0.")
    d_prime: Estimate = Field(
        description="Distance between the two as perceived, in standard deviations of perception (Thurstone); floored "
        "at 0, and high is null where there is no upper limit."
    )
    below_chance: bool = Field(description="Fewer right than guessing gives on average.")
    any_time_e_value: Figure = Field(
        description="Evidence against guessing that holds whenever you stop: 20 is strong, 1 is none. Null only where "
        "it is too large to write."
    )
    reading: str


class SimilarityInputs(Strict):
    """One blind trial, and the difference that would still not matter."""

    method: Method
    presented: Presented
    correct: Correct
    tasters: Annotated[
        int,
        number(
            "How many people tasted: one, or as many as presentations. Several with repeats are refused.",
            1,
            1_000_000,
            1,
        ),
    ] = 1
    largest_tolerable_discriminating: Annotated[
        float,
        number("Share of servings told apart that would still not matter, chosen before serving.", 0.001, 0.999, 0.3),
    ] = 0.3
    confidence: Confidence = 0.95


class SimilarityResult(Result):
    """Whether any difference is shown to be small."""

    most_correct_allowed: int | None = Field(
        description="Most right answers that still show similarity; null where no count of this size may conclude."
    )
    similar: bool = Field(description="Whether any difference is shown to be below the limit.")
    proportion_discriminating_upper: float = Field(
        description="One-sided upper limit of the share of servings truly told apart."
    )
    difference_p_value: float = Field(
        description="Chance that guessing does this well: a difference may be there and small."
    )
    lower_tail_p_value: float = Field(
        description="Chance that guessing does this badly; very small points to a mix-up."
    )
    holds_for: str = Field(description="For whom the conclusion holds.")
    reading: str


class SequentialInputs(Strict):
    """The answers of one trial, in the order they were given."""

    method: Method
    outcomes: Annotated[
        list[bool],
        Field(
            min_length=1,
            max_length=10_000,
            description="Whether each answer was right, in tasting order, every one that was begun.",
            examples=[[True, True, False, True]],
        ),
    ]
    significance: Significance = 0.05


class SequentialResult(Result):
    """Evidence against guessing after each answer."""

    presented: int
    correct: int
    e_value: Figure = Field(description="Evidence after the last answer: 20 is strong, 1 is none.")
    largest_e_value: Figure = Field(description="The most it came to on the way.")
    p_value: float = Field(description="One over the largest evidence, at most 1; valid whenever you stop.")
    crossed_at: int | None = Field(
        description="The answer, counted from 1, at which the evidence reached one over the significance; null if "
        "never."
    )
    path: list[Figure] = Field(description="The evidence after each answer.")
    reading: str


TRIAL_CALCULATORS = (
    Calculator(
        name="trial/significance",
        title="What a blind trial's count shows",
        summary="You poured two drinks blind and counted how often the taster got it right. This says how easily "
        "guessing alone would do as well, how well the two can be told apart, how many right answers would have been "
        "enough, and what the count is worth if you stopped when it looked good. Different is not better.",
        inputs=SignificanceInputs,
        result=SignificanceResult,
        compute=lambda i: discrimination.significance(i.method, i.presented, i.correct, i.confidence),
        reading=lambda _, result: trial_readings.significance_reading(result),
        method="Exact binomial test against the method's guess rate; Clopper-Pearson interval mapped through the "
        "guessing floor and the Thurstonian psychometric function; uniform-mixture e-value.",
        sources=(BINOMIAL, THURSTONE, CLOPPER_PEARSON, ANY_TIME),
        example={"method": "triangle", "presented": 12, "correct": 8},
    ),
    Calculator(
        name="trial/similarity",
        title="Whether two drinks are shown to be as good as the same",
        summary="Finding no difference doesn't show that there is none: too short a trial finds nothing either. This "
        "asks the other way round: you name, before pouring, the largest difference that would still not matter, and "
        "it says whether the count rules out anything bigger.",
        inputs=SimilarityInputs,
        result=SimilarityResult,
        compute=lambda i: discrimination.similarity(
            i.method,
            i.presented,
            i.correct,
            i.tasters,
            largest_tolerable_discriminating=i.largest_tolerable_discriminating,
            confidence=i.confidence,
        ),
        reading=lambda _, result: trial_readings.similarity_reading(result),
        method="Exact lower binomial tail at the limit; no conclusion where the most correct allowed would be fewer "
        "than guessing averages; several tasters with repeats are refused, because the test then understates its "
        "error.",
        sources=("ISO 4120:2004, table A.2; ISO 5495:2005, table A.3 (similarity)", CLOPPER_PEARSON),
        example={"method": "triangle", "presented": 60, "correct": 21, "tasters": 60},
    ),
    Calculator(
        name="trial/sequential",
        title="The evidence of a trial, answer by answer",
        summary="Give the answers in the order they came, right or wrong. It follows the evidence against guessing "
        "after each one, in a way that stays honest however often you look and whenever you stop.",
        inputs=SequentialInputs,
        result=SequentialResult,
        compute=lambda i: discrimination.sequential(i.method, i.outcomes, i.significance),
        reading=lambda _, result: trial_readings.sequential_reading(result),
        method="E-value against guessing by a uniform mixture over the chances above it; by Ville's inequality it "
        "reaches one over the significance with at most that chance, over all looks together. Valid where every order "
        "was drawn afresh.",
        sources=(ANY_TIME,),
        example={"method": "triangle", "outcomes": [True, True, False, True, True, False, True, True, True, True]},
    ),
)
