from typing import Annotated

from pydantic import Field

from service.api.calculators.fields import Confidence, Correct, Method, Presented, number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import ANY_TIME, BINOMIAL, CLOPPER_PEARSON, THURSTONE
from service.evidence.blocks import Estimate, TrialStudy, Withheld
from service.evidence.trial_blocks import AnyTime, Fit, LeftOut, MethodPool, NobodyCanTell, Spread
from service.intake.strict import Label, Strict
from service.science.pooling import trials

MOST_STUDIES = 10_000
_MOST_TRIALS = 2000
"""Each different count costs a fit; more would take longer than anyone waits."""

StudyLabel = Annotated[Label, Field(description="What the row is called in the answer.", examples=["north kitchen"])]
Household = Annotated[
    Label | None,
    Field(
        description="The kitchen that fermented; rows of one household count together, and a row without is a "
        "household of its own.",
        examples=["h1"],
    ),
]


class TrialStudyInputs(Strict):
    """One household's blind trial."""

    label: StudyLabel
    household: Household = None
    method: Method
    presented: Presented
    correct: Correct


class PooledTrialsInputs(Strict):
    """Blind trials of many households, in order of receipt."""

    studies: Annotated[
        list[TrialStudyInputs],
        Field(max_length=_MOST_TRIALS, description="In order of receipt; none is an answer too."),
    ]
    confidence: Confidence = 0.95
    smallest_difference_that_matters: Annotated[
        float, number("Smallest share of servings told apart that matters, chosen beforehand.", 1e-6, 1.0, 0.3)
    ] = 0.3


class PooledTrialsResult(Result):
    """The trials as one answer; what too few data can't support is null and stands in `withheld`."""

    households: int
    presentations: int
    correct: int
    expected_by_chance: float
    nobody_can_tell: NobodyCanTell = Field(description="Exact test that every household guesses.")
    proportion_discriminating: Estimate = Field(
        description="Share of servings truly told apart, as a mean over households; null with several methods."
    )
    by_method: list[MethodPool]
    d_prime: Estimate = Field(description="Mean absolute d′ over households: the scale that all methods share.")
    spread: Spread
    fit: Fit
    any_time: AnyTime
    below_chance: bool = Field(description="Clearly fewer right than guessing gives.")
    verdict: str = Field(
        description="By the any-time interval alone: bigger_than_matters, practically_the_same, "
        "real_but_may_be_too_small or cannot_tell_yet."
    )
    studies: list[TrialStudy] = Field(description="Each row by itself, with exact intervals.")
    leave_one_out: list[LeftOut]
    one_household_decides: bool
    withheld: list[Withheld]
    reading: str


def _pool(inputs: PooledTrialsInputs) -> object:
    studies = [
        trials.TrialStudy(each.label, each.method, each.presented, each.correct, each.household)
        for each in inputs.studies
    ]
    return trials.pool_trials(studies, inputs.confidence, inputs.smallest_difference_that_matters)


POOLING_TRIALS_CALCULATORS = (
    Calculator(
        name="pooling/trials",
        title="Blind trials of many households as one answer",
        summary="One kitchen's twelve glasses say little; many kitchens together say more. Give each household's "
        "count and get one answer: can anyone tell, how often, how much kitchens differ, and whether a single one "
        "decides. Kitchens that served in different ways go together.",
        inputs=PooledTrialsInputs,
        result=PooledTrialsResult,
        compute=_pool,
        method="Exact binomial, convolved over methods, against nobody can tell; guessing-floor logit-normal model by "
        "maximum likelihood with profile intervals; folded normal model over d′ where methods differ; any-time "
        "evidence by a random-effects mixture, and any-time intervals on households.",
        sources=(
            BINOMIAL,
            THURSTONE,
            CLOPPER_PEARSON,
            "Brockhoff & Christensen 2010, Food Qual. Prefer. 21:330 (d′ as a model)",
            "ter Schure & Grünwald 2022, F1000Research 11:962 (pooling e-values)",
            "Waudby-Smith & Ramdas 2024, J. R. Stat. Soc. B 86:1 (interval by betting)",
            ANY_TIME,
        ),
        example={
            "studies": [
                {"label": "north kitchen", "method": "triangle", "presented": 12, "correct": 8},
                {"label": "river kitchen", "method": "triangle", "presented": 12, "correct": 5},
                {"label": "hill kitchen", "method": "triangle", "presented": 10, "correct": 6},
            ]
        },
        heavy=True,
    ),
)
