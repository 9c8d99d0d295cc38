from typing import Annotated

from pydantic import Field

from service.api.calculators.fields import Confidence
from service.api.calculators.pooling_trials import MOST_STUDIES, Household
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import ANY_TIME, CLOPPER_PEARSON
from service.evidence.blocks import Estimate, Figure, Withheld
from service.intake.strict import Strict
from service.science.pooling import pairs


class PairInputs(Strict):
    """One household's two batches, and whether something happened in each."""

    household: Household = None
    control: Annotated[bool, Field(description="Whether it happened in the control.")]
    treatment: Annotated[bool, Field(description="Whether it happened in the treatment.")]


class PooledPairsInputs(Strict):
    """Yes or no from both batches of many households."""

    pairs: Annotated[
        list[PairInputs], Field(max_length=MOST_STUDIES, description="In order of receipt; none is an answer too.")
    ]
    confidence: Confidence = 0.95


class PairCounts(Result):
    """Households by where it happened."""

    both: int
    only_control: int
    only_treatment: int
    neither: int


class PooledPairsResult(Result):
    """The pairs as one answer; what too few can't support is null and stands in `withheld`."""

    households: int
    pairs: PairCounts
    p_value: Figure = Field(
        description="McNemar's mid-p: chance that luck alone splits the households at least so unevenly."
    )
    exact_p_value: Figure = Field(description="The exact form, which errs on the safe side.")
    risk_difference: Estimate = Field(description="Share in the treatment less share in the control.")
    conditional_odds_ratio: Estimate = Field(
        description="Of treatment against control; high is null without an upper limit."
    )
    any_time_e_value: Figure = Field(description="Evidence for a difference that holds whenever you stop.")
    withheld: list[Withheld]


POOLING_PAIRS_CALCULATORS = (
    Calculator(
        name="pooling/pairs",
        title="Yes-or-no outcomes of many households as one answer",
        summary="Each kitchen fermented two batches, and something happened or didn't in each: it finished dry, it "
        "stuck. Only the kitchens where the two went different ways tell them apart. This counts them, and says how "
        "easily luck would do it.",
        inputs=PooledPairsInputs,
        result=PooledPairsResult,
        compute=lambda i: pairs.pool_pairs(
            [pairs.Pair(each.household, each.control, each.treatment) for each in i.pairs], i.confidence
        ),
        method="McNemar's test on the households that differ, mid-p and exact; Tango's interval of the risk "
        "difference; exact conditional odds ratio; e-value by a uniform mixture. A household with several pairs "
        "counts once.",
        sources=(
            "McNemar 1947, Psychometrika 12:153",
            "Fagerland, Lydersen & Laake 2013, BMC Med. Res. Methodol. 13:91 (mid-p)",
            "Tango 1998, Stat. Med. 17:891",
            CLOPPER_PEARSON,
            ANY_TIME,
        ),
        example={
            "pairs": [
                {"household": "h1", "control": False, "treatment": True},
                {"household": "h2", "control": True, "treatment": True},
                {"household": "h3", "control": False, "treatment": True},
                {"household": "h4", "control": False, "treatment": False},
                {"household": "h5", "control": True, "treatment": False},
            ]
        },
    ),
)
