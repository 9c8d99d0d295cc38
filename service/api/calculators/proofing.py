from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import Field

from service.api.calculators.cautions import LAW, OBSCURED, SPIRIT_BURNS
from service.api.calculators.fields import OneOf, number
from service.api.calculators.gravity import ThermometerUncertainty
from service.api.calculators.proof_scale import OnAScale
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import GLASS, GUM, OIML_R22, PROOF
from service.intake.quantities import CELSIUS, G_PER_L, KG_PER_M3, KILOGRAMS, LITRES, STRENGTH
from service.intake.strict import Strict
from service.science import proofing
from service.science.strength import strength


class StrengthInputs(OneOf, OnAScale):
    """An alcoholmeter's reading or a density, and the temperature of the sample."""

    one_of = ("reading_abv_percent", "density_kg_per_m3")

    reading_abv_percent: Annotated[
        float | None,
        number(
            "What a glass alcoholmeter shows, % vol; text in US proof is a mark on a scale of 60 °F.", 0.0, 100.0, 42.0
        ),
        STRENGTH,
    ] = None
    density_kg_per_m3: Annotated[
        float | None,
        number("Or the density in vacuum at the sample's temperature, kg/m³.", 700.0, 1100.0, 948.0),
        KG_PER_M3,
    ] = None
    sample_c: Annotated[float, number("Temperature of the sample, °C; above freezing.", -20.0, 40.0, 25.0), CELSIUS]
    calibration_c: Annotated[
        float,
        number(
            "Temperature printed on the alcoholmeter, °C: 20, or 15.56 (60 °F), as a US proof scale has, of which half "
            "the proof is the reading.",
            0.0,
            40.0,
            20.0,
        ),
        CELSIUS,
    ] = 20.0
    dissolved_solids_g_per_l: Annotated[
        float, number("Sugar, wood extract and colour in it, g/L: above 0 is refused.", 0.0, 2000.0, 0.0), G_PER_L
    ] = 0.0
    reading_uncertainty_percent: Annotated[
        float,
        number("Standard uncertainty of the reading, % vol; 0.5 for 1 % divisions.", 0.0, 20.0, 0.5, held_here=True),
        STRENGTH,
    ] = 0.5
    density_uncertainty_kg_per_m3: Annotated[
        float, number("Standard uncertainty of the density, kg/m³.", 0.0, 50.0, 0.1, held_here=True), KG_PER_M3
    ] = 0.1
    thermometer_uncertainty_c: ThermometerUncertainty = 0.5


class StrengthResult(Result):
    """How strong it is."""

    abv_percent: float = Field(description="% vol at 20 °C.")
    abw_percent: float = Field(description="% by mass.")
    density_20c_kg_per_m3: float
    us_proof: float = Field(description="Twice the % vol at 60 °F.")
    uncertainty_percent: float = Field(description="Standard uncertainty (k = 1), % vol.")


class DilutionInputs(OneOf):
    """What there is, or what is wanted, and the two strengths."""

    one_of = ("volume_l", "mass_kg", "final_volume_l")

    volume_l: Annotated[float | None, number("Spirit at hand, in litres at 20 °C.", 0.0, 1e9, 1.0), LITRES] = None
    mass_kg: Annotated[
        float | None, number("Or the same weighed, in kg: the better way.", 0.0, 1e9, 0.9), KILOGRAMS
    ] = None
    final_volume_l: Annotated[
        float | None, number("Or the volume wanted in the end, in litres at 20 °C.", 0.0, 1e9, 1.0), LITRES
    ] = None
    abv_percent: Annotated[float, number("Strength at hand, % vol at 20 °C.", 0.0, 100.0, 70.0), STRENGTH]
    target_abv_percent: Annotated[
        float,
        number("Strength wanted, % vol at 20 °C: above 0 and not above the one at hand.", 0.0, 100.0, 40.0),
        STRENGTH,
    ]


class DilutionResult(Result):
    """What to mix, and what comes of it; every volume at 20 °C."""

    spirit_l: float
    add_water_l: float
    add_water_kg: float
    final_volume_l: float
    final_mass_kg: float
    contraction_l: float = Field(
        description="By how much the mixture is less than its parts; below about 20 % vol it may be negative."
    )


class VolumeInputs(Strict):
    """A volume of spirit at one temperature, and the temperature it is wanted for."""

    volume_l: Annotated[float, number("Volume in litres, as warm as it is now.", 0.0, 1e9, 1.0), LITRES]
    abv_percent: Annotated[float, number("Strength, % vol at 20 °C.", 0.0, 100.0, 40.0), STRENGTH]
    from_c: Annotated[float, number("Temperature now, °C; above freezing.", -20.0, 40.0, 30.0), CELSIUS]
    to_c: Annotated[float, number("Temperature it is wanted for, °C.", -20.0, 40.0, 20.0), CELSIUS] = 20.0


class VolumeResult(Result):
    """The same spirit at the other temperature."""

    volume_l: float
    factor: float = Field(description="What the volume was multiplied by.")


def _strength(i: Any) -> object:  # noqa: ANN401  one calculation or columns
    return strength(
        sample_c=i.sample_c,
        reading_abv_percent=i.reading_abv_percent,
        density_kg_per_m3=i.density_kg_per_m3,
        calibration_c=i.calibration_c,
        dissolved_solids_g_per_l=i.dissolved_solids_g_per_l,
        reading_uncertainty_percent=i.reading_uncertainty_percent,
        density_uncertainty_kg_per_m3=i.density_uncertainty_kg_per_m3,
        thermometer_uncertainty_c=i.thermometer_uncertainty_c,
    )


def _dilute(i: Any) -> object:  # noqa: ANN401
    return proofing.dilute(
        abv_percent=i.abv_percent,
        target_abv_percent=i.target_abv_percent,
        volume_l=i.volume_l,
        mass_kg=i.mass_kg,
        final_volume_l=i.final_volume_l,
    )


SPIRIT: Sequence[str] = (SPIRIT_BURNS, LAW)

PROOFING_CALCULATORS = (
    Calculator(
        name="proofing/strength",
        title="How strong a spirit is",
        summary="An alcoholmeter is a float that shows the strength of a clear spirit, right at one temperature "
        "alone. Give what it shows (or a density) and how warm the sample is, and get the strength at 20 °C, and how "
        "sure that is.",
        inputs=StrengthInputs,
        result=StrengthResult,
        compute=_strength,
        method="Density of ethanol-water mixtures by the OIML R 22 formula, with the expansion of the instrument's "
        "glass; uncertainty from the reading, the thermometer and the formula. Refused where solids are dissolved in "
        "it.",
        sources=(OIML_R22, GLASS, PROOF, GUM),
        example={"reading_abv_percent": 42, "sample_c": 25},
        cautions=(OBSCURED, *SPIRIT),
    ),
    Calculator(
        name="proofing/dilution",
        title="Water to bring a spirit to strength",
        summary="Spirit and water together take up less room than apart, so the sums don't work by volume. This says "
        "how much water brings a spirit to the strength you want, from what you have or for what you want in the end.",
        inputs=DilutionInputs,
        result=DilutionResult,
        compute=_dilute,
        method="Mass balance over the OIML R 22 density of ethanol-water mixtures; never by volumes, which don't add "
        "up. Weigh spirit and water where you can (mass_kg in, add_water_kg out): a mass is the same at any "
        "temperature, and none is lost in mixing; measure by volume only near 20 °C.",
        sources=(OIML_R22,),
        example={"volume_l": 1, "abv_percent": 70, "target_abv_percent": 40},
        cautions=(
            "Add the water slowly, let it rest, and measure again at 20 °C: the figure is no better than the readings "
            "in it.",
            OBSCURED,
            *SPIRIT,
        ),
    ),
    Calculator(
        name="proofing/volume",
        title="A spirit's volume at another temperature",
        summary="A spirit swells when it is warm: a litre measured on a hot day is less than a litre at 20 °C. Give "
        "the volume, the strength and both temperatures.",
        inputs=VolumeInputs,
        result=VolumeResult,
        compute=lambda i: proofing.correct_volume(i.volume_l, i.abv_percent, i.from_c, i.to_c),
        method="Ratio of the OIML R 22 densities at the two temperatures; the vessel's own expansion is left out.",
        sources=(OIML_R22,),
        example={"volume_l": 1, "abv_percent": 40, "from_c": 30},
        cautions=(
            "Warm spirit swells: leave room in a full bottle or drum, and never heat a closed one.",
            *SPIRIT,
        ),
    ),
)
