from typing import Annotated, Any

from pydantic import Field, model_validator

from service.api.calculators.registry import Calculator, Result
from service.intake.quantities import KILOGRAMS, LITRES, PERCENT
from service.intake.strict import Strict
from service.science import proofing

OIML_R22 = "OIML R 22 (1975), International alcoholometric tables; Council Directive 76/766/EEC, annex"
Strength = Annotated[float, Field(ge=0, le=100), PERCENT]
_AMOUNTS = ("volume_l", "mass_kg", "final_volume_l")

VAPOUR = (
    "Strong spirit and its vapour burn: no flame, spark or hot plate near, and fresh air. Distilling is unlawful in "
    "many "
    "places without a licence; follow local law and fire codes."
)


class DilutionInputs(Strict):
    """What there is, or what is wanted, and the two strengths."""

    volume_l: Annotated[float | None, Field(gt=0, le=1e6, description="Spirit at hand, at 20 °C."), LITRES] = None
    mass_kg: Annotated[
        float | None, Field(gt=0, le=1e6, description="Spirit at hand, weighed: the better way."), KILOGRAMS
    ] = None
    final_volume_l: Annotated[float | None, Field(gt=0, le=1e6, description="Volume wanted, at 20 °C."), LITRES] = None
    abv_percent: Annotated[
        float, Field(gt=0, le=100, description="Strength at hand, % vol at 20 °C.", examples=[70]), PERCENT
    ]
    target_abv_percent: Annotated[
        float, Field(gt=0, le=100, description="Strength wanted, % vol at 20 °C.", examples=[40]), PERCENT
    ]

    @model_validator(mode="after")
    def _one_amount(self) -> "DilutionInputs":
        if sum(getattr(self, name) is not None for name in _AMOUNTS) != 1:
            raise ValueError(f"give exactly one of {', '.join(_AMOUNTS)}")
        return self


class DilutionResult(Result):
    """What to mix, and what comes of it; every volume at 20 °C."""

    spirit_l: float
    add_water_l: float
    add_water_kg: float
    final_volume_l: float
    final_mass_kg: float
    contraction_l: float = Field(description="By how much the mixture is less than its parts.")


def _dilute(inputs: Any) -> object:  # noqa: ANN401  one calculation or columns
    given = {name: value for name in _AMOUNTS if (value := getattr(inputs, name)) is not None}
    return proofing.dilute(abv_percent=inputs.abv_percent, target_abv_percent=inputs.target_abv_percent, **given)


PROOFING_CALCULATORS = (
    Calculator(
        name="proofing/dilution",
        title="Water to bring a spirit to strength",
        summary="How much water brings a spirit to a lower strength, by mass balance, so that the contraction is "
        "counted.",
        inputs=DilutionInputs,
        result=DilutionResult,
        compute=_dilute,
        method="Mass balance over the OIML R 22 density of ethanol-water mixtures; never by volumes, which don't "
        "add up.",
        sources=(OIML_R22,),
        example={"volume_l": 1, "abv_percent": 70, "target_abv_percent": 40},
        cautions=lambda _: (
            VAPOUR,
            "Add the water slowly, let it rest, and measure again at 20 °C: the figure is no better than the "
            "readings in it.",
        ),
    ),
)
