from typing import Annotated, Any

from pydantic import Field, model_validator

from service.api.calculators.registry import Calculator, Result
from service.intake.quantities import G_PER_L, KG_PER_M3, PERCENT
from service.intake.strict import Strict
from service.science import gravity, gravity_readings

Gravity = Annotated[float, Field(ge=0.96, le=1.35)]
ICUMSA = "Bubník, Kadlec, Urban & Bruhns 1995, Sugar Technologists Manual, p. 164 (ICUMSA sucrose density)"
_SCALES = ("sg", "plato", "extract_g_per_l", "density_kg_per_m3")


class ScalesInputs(Strict):
    """Exactly one of the four."""

    sg: Annotated[float | None, Field(description="Specific gravity 20/20 °C.", examples=[1.050])] = None
    plato: Annotated[float | None, Field(description="Grams of extract in 100 g."), PERCENT] = None
    extract_g_per_l: Annotated[float | None, Field(description="Grams of extract in a litre at 20 °C."), G_PER_L] = None
    density_kg_per_m3: Annotated[float | None, Field(description="Density at 20 °C, in vacuum."), KG_PER_M3] = None

    @model_validator(mode="after")
    def _exactly_one(self) -> "ScalesInputs":
        if sum(getattr(self, name) is not None for name in _SCALES) != 1:
            raise ValueError(f"give exactly one of {', '.join(_SCALES)}")
        return self


class ScalesResult(Result):
    """The same strength on all four scales, at 20 °C."""

    sg: float
    plato: float
    extract_g_per_l: float
    density_kg_per_m3: float


class AttenuationInputs(Strict):
    """Gravity before and after fermentation, degassed and at the hydrometer's own temperature."""

    original_sg: Annotated[float, Field(description="Before pitching, 20/20 °C.", examples=[1.050])]
    final_sg: Annotated[float, Field(description="After fermentation, degassed.", examples=[1.010])]
    reading_uncertainty_sg: Annotated[
        float, Field(gt=0, le=0.02, description="Standard uncertainty of one reading; 0.001 is usual at home.")
    ] = 0.001


class AttenuationResult(Result):
    """What was fermented, and the alcohol it made."""

    abv_percent: float = Field(description="% vol at 20 °C, by Balling's relation.")
    abw_percent: float
    abv_linear_percent: float = Field(description="131.25 × (original − final): common practice, no source.")
    abv_uncertainty_percent: float = Field(description="Standard uncertainty, instrument and model together.")
    original_plato: float
    apparent_extract_plato: float
    real_extract_plato: float
    apparent_attenuation_percent: float = Field(description="Over 100 when the final gravity lies below water's.")
    real_attenuation_percent: float
    reading: str


def _scales(inputs: Any) -> object:  # noqa: ANN401  one calculation or columns
    given = {name: value for name in _SCALES if (value := getattr(inputs, name)) is not None}
    return gravity.scales(**given)


GRAVITY_CALCULATORS = (
    Calculator(
        name="gravity/scales",
        title="Gravity from one scale to the others",
        summary="Turns a specific gravity, degrees Plato, extract in g/L or a density into the other three, at 20 °C.",
        inputs=ScalesInputs,
        result=ScalesResult,
        compute=_scales,
        method="ICUMSA density of sucrose solutions at 20 °C, in vacuum; inverses by safeguarded Newton.",
        sources=(ICUMSA,),
        example={"sg": 1.05},
    ),
    Calculator(
        name="gravity/attenuation",
        title="Alcohol and attenuation from two gravities",
        summary="From the gravity before and after fermentation: alcohol by Balling's relation with its "
        "uncertainty, extract, "
        "and attenuation.",
        inputs=AttenuationInputs,
        result=AttenuationResult,
        compute=lambda i: gravity.attenuation(i.original_sg, i.final_sg, i.reading_uncertainty_sg),
        reading=lambda _, result: gravity_readings.attenuation_reading(result),
        method="Balling's relation (2.0665 g extract to 1 g ethanol, 0.9565 g CO2, 0.11 g yeast); volume through "
        "the OIML R 22 "
        "density at 20 °C; first-order uncertainty (GUM) from the readings and the attenuation coefficient.",
        sources=(
            "Balling 1865, as used today in brewing practice",
            "Cutaia, Reid & Speers 2009, J. Inst. Brew. 115:318 (spread of the attenuation coefficient)",
            ICUMSA,
            "OIML R 22 (1975), International alcoholometric tables",
            "JCGM 100:2008 (GUM)",
        ),
        example={"original_sg": 1.05, "final_sg": 1.01},
    ),
)
