from typing import Annotated

from pydantic import Field

from service.api.calculators.cautions import FIRST_FRACTIONS, HEATED_VAPOUR, LAW, METHANOL
from service.api.calculators.fields import number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import GUM
from service.intake.quantities import LITRES, STRENGTH
from service.intake.strict import Label, Strict
from service.science import spirit_run


class ChargeInputs(Strict):
    """What goes into the still."""

    volume_l: Annotated[float, number("Litres at 20 °C.", 0.0, 1e9, 20.0), LITRES]
    abv_percent: Annotated[float, number("Strength, % vol at 20 °C.", 0.0, 100.0, 28.0), STRENGTH]


class FractionInputs(Strict):
    """What came over in one jar."""

    name: Annotated[Label, Field(description="What you call it.", examples=["hearts"])]
    volume_l: Annotated[float, number("Litres at 20 °C.", 0.0, 1e9, 3.0), LITRES]
    abv_percent: Annotated[float, number("Strength, % vol at 20 °C.", 0.0, 100.0, 72.0), STRENGTH]


class CutsInputs(Strict):
    """One spirit run, from charge to last jar."""

    charge: ChargeInputs
    fractions: Annotated[
        list[FractionInputs], Field(min_length=1, max_length=1000, description="In the order that they ran.")
    ]
    scale_to_charge: Annotated[
        ChargeInputs | None,
        Field(description="Another charge, to be cut in the same way on the same still at the same heat."),
    ] = None
    volume_uncertainty_percent: Annotated[
        float, number("Standard uncertainty of each volume, in percent of it.", 0.0, 50.0, 1.0)
    ] = 1.0
    abv_uncertainty_percent: Annotated[
        float, number("Standard uncertainty of each strength, % vol.", 0.0, 20.0, 0.5), STRENGTH
    ] = 0.5


class FractionShare(Result):
    """One jar's part of the alcohol."""

    name: str
    volume_l: float
    abv_percent: float
    pure_alcohol_l: float
    share_of_collected_percent: float
    share_of_charge_percent: float


class Cut(Result):
    """Where one jar ends and the next begins."""

    after: str
    before: str
    collected_l: float = Field(description="Collected until then.")
    pure_alcohol_l: float = Field(description="Of that, pure alcohol.")
    share_of_charge_percent: float = Field(description="The same, of the charge's alcohol.")
    at_strength_percent: float = Field(
        description="Strength then running at the spout, % vol: interpolated, a guide and no measurement."
    )


class ScaledFraction(Result):
    """One jar of the other charge."""

    name: str
    volume_l: float
    abv_percent: float
    pure_alcohol_l: float


class ScaledRun(Result):
    """The same cuts for the other charge."""

    scale: float = Field(description="Pure alcohol of the other charge over that of this one.")
    fractions: list[ScaledFraction]
    cuts: list[Cut]


class CutsResult(Result):
    """The alcohol account of the run."""

    charge_pure_alcohol_l: float
    collected_pure_alcohol_l: float
    collected_l: float
    fractions: list[FractionShare]
    cuts: list[Cut]
    recovery_percent: float = Field(description="Collected alcohol, of the charge's.")
    recovery_uncertainty_percent: float = Field(description="Standard uncertainty (k = 1).")
    unaccounted_l: float = Field(
        description="Alcohol that stayed in the still, left as vapour, or is an error of measurement."
    )
    unaccounted_uncertainty_l: float = Field(description="Standard uncertainty (k = 1).")
    scaled: ScaledRun | None


def _charge(given: ChargeInputs) -> spirit_run.Charge:
    return spirit_run.Charge(given.volume_l, given.abv_percent)


def _cuts(inputs: CutsInputs) -> object:
    return spirit_run.cuts(
        _charge(inputs.charge),
        [spirit_run.Fraction(each.name, each.volume_l, each.abv_percent) for each in inputs.fractions],
        None if inputs.scale_to_charge is None else _charge(inputs.scale_to_charge),
        volume_uncertainty_percent=inputs.volume_uncertainty_percent,
        abv_uncertainty_percent=inputs.abv_uncertainty_percent,
    )


SPIRIT_RUN_CALCULATORS = (
    Calculator(
        name="spirit-run/cuts",
        title="Where the alcohol of a spirit run went",
        summary="A still gives what it is charged with bit by bit, and the bits are kept apart: heads, hearts, tails. "
        "Give the charge and each jar, and it says how much pure alcohol each holds, what is missing, and where the "
        "same cuts would fall with another charge, so that two runs can be cut alike.",
        inputs=CutsInputs,
        result=CutsResult,
        compute=_cuts,
        method="Account of pure alcohol, as volume at 20 °C (volume times strength), with its uncertainty; cuts "
        "carried over in proportion to the pure alcohol in the charge. Heads, hearts and tails are the cutter's "
        "choice: nothing here says what is safe.",
        sources=(GUM, "Mass balance of ethanol"),
        example={
            "charge": {"volume_l": 20, "abv_percent": 28},
            "fractions": [
                {"name": "heads", "volume_l": 0.4, "abv_percent": 79},
                {"name": "hearts", "volume_l": 4, "abv_percent": 72},
                {"name": "tails", "volume_l": 3, "abv_percent": 38},
            ],
            "scale_to_charge": {"volume_l": 18, "abv_percent": 30},
        },
        cautions=(spirit_run.CAUTION, HEATED_VAPOUR, FIRST_FRACTIONS, METHANOL, LAW),
    ),
)
