from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import Field

from service.api.calculators.cautions import any_above, if_hot
from service.api.calculators.fields import OneOf, number
from service.api.calculators.ingredients import IngredientInputs, as_ingredients
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import BALLING, COMMON_PRACTICE, CUTAIA, GLASS, GUM, ICUMSA, OIML_R22
from service.intake.quantities import CELSIUS, CELSIUS_SPAN, EXTRACT, G_PER_L, KG_PER_M3, LITRES
from service.intake.strict import Strict
from service.science import gravity, gravity_readings, hydrometer, refractometer

_POOR_READING_C = 40.0

ReadingUncertainty = Annotated[
    float, number("Standard uncertainty of one reading of the scale; 0.001 is usual at home.", 0.0, 0.05, 0.001)
]
ThermometerUncertainty = Annotated[
    float, number("Standard uncertainty of the temperature, in K; 0.5 is usual at home.", 0.0, 10.0, 0.5), CELSIUS_SPAN
]


class ScalesInputs(OneOf):
    """Exactly one of the four."""

    one_of = ("sg", "plato", "extract_g_per_l", "density_kg_per_m3")

    sg: Annotated[
        float | None, number("Specific gravity 20/20 °C: how heavy it is beside water.", 0.97, 1.349, 1.05)
    ] = None
    plato: Annotated[
        float | None, number("Grams of extract (dissolved sugar and the like) in 100 g.", -8.0, 70.0, 12.4), EXTRACT
    ] = None
    extract_g_per_l: Annotated[
        float | None, number("Grams of extract in a litre at 20 °C.", -77.0, 943.0, 130.0), G_PER_L
    ] = None
    density_kg_per_m3: Annotated[
        float | None, number("Density at 20 °C, in vacuum, in kg/m³.", 968.3, 1347.4, 1048.1), KG_PER_M3
    ] = None


class ScalesResult(Result):
    """The same strength on all four scales, at 20 °C."""

    sg: float = Field(description="Specific gravity 20/20 °C.")
    plato: float = Field(description="Grams of extract in 100 g; Brix and Balling are the same.")
    extract_g_per_l: float
    density_kg_per_m3: float = Field(description="In vacuum.")


class HydrometerInputs(Strict):
    """What the hydrometer shows, and how warm the sample is."""

    reading_sg: Annotated[float, number("What the scale shows, free of gas.", 0.9, 1.5, 1.048)]
    sample_c: Annotated[float, number("Temperature of the sample, °C.", 0.0, 60.0, 28.0), CELSIUS]
    calibration_c: Annotated[
        float, number("Temperature printed on the instrument, °C; 15.56 for 60 °F.", 0.0, 60.0, 20.0), CELSIUS
    ] = 20.0
    reading_uncertainty_sg: ReadingUncertainty = 0.001
    thermometer_uncertainty_c: ThermometerUncertainty = 0.5


class HydrometerResult(Result):
    """The reading as it would be at 20 °C."""

    sg: float = Field(description="Specific gravity 20/20 °C.")
    correction_sg: float = Field(description="What was added to the reading.")
    uncertainty_sg: float = Field(description="Standard uncertainty (k = 1): instrument, reading and thermometer.")
    calibration_scale_sg: float = Field(description="The same on the instrument's own scale, such as 60/60 °F.")


class RefractometerInputs(Strict):
    """What a refractometer shows of a fermenting sample at 20 °C, and where it started."""

    original_plato: Annotated[float, number("Extract before fermentation, grams in 100 g.", 1.0, 39.0, 20.0), EXTRACT]
    reading_plato: Annotated[
        float, number("What the instrument shows now, in degrees Brix at 20 °C.", 0.0, 60.0, 9.0), EXTRACT
    ]
    instrument_factor: Annotated[
        float,
        number(
            "Reading over true extract for this instrument and liquid: 1 for sugar in water, about 1.04 for malt wort "
            "(common practice, no source); measure your own.",
            0.9,
            1.2,
            1.0,
        ),
    ] = 1.0
    reading_uncertainty_plato: Annotated[
        float, number("Standard uncertainty of the reading, in degrees Brix.", 0.0, 5.0, 0.1), EXTRACT
    ] = 0.1


class RefractometerResult(Result):
    """What the reading means with alcohol in the sample."""

    sg: float = Field(description="Specific gravity 20/20 °C that a hydrometer would show.")
    abv_percent: float = Field(description="% vol at 20 °C so far.")
    uncertainty_sg: float = Field(description="Standard uncertainty (k = 1), the model's included.")
    abv_uncertainty_percent: float = Field(description="Standard uncertainty (k = 1) of the strength, % vol.")
    apparent_extract_plato: float
    real_extract_plato: float = Field(description="Extract truly left, grams in 100 g.")
    model_uncertainty_plato: float = Field(description="What the model itself may be off, in degrees Brix (k = 1).")


class AttenuationInputs(Strict):
    """Gravity before and after fermentation, degassed and at the hydrometer's own temperature."""

    original_sg: Annotated[float, number("Gravity before pitching, 20/20 °C.", 1.0, 1.349, 1.05)]
    final_sg: Annotated[float, number("Gravity after fermentation, free of gas.", 0.97, 1.349, 1.01)]
    reading_uncertainty_sg: ReadingUncertainty = 0.001
    additions: Annotated[
        list[IngredientInputs] | None,
        Field(max_length=200, description="What was added between the two readings, in any order; by POST alone."),
    ] = None
    volume_l: Annotated[
        float | None,
        number(
            "Volume at the first reading, in litres at 20 °C; needed where there are additions.",
            1e-6,
            1e9,
            20.0,
            held_here=True,
        ),
        LITRES,
    ] = None


class AttenuationResult(Result):
    """What was fermented, and the alcohol it made."""

    abv_percent: float = Field(description="% vol at 20 °C, by Balling's relation.")
    abw_percent: float = Field(description="% by mass.")
    abv_linear_percent: float = Field(description=f"131.25 × (original − final): {COMMON_PRACTICE}.")
    abv_uncertainty_percent: float = Field(description="Standard uncertainty (k = 1), instrument and model together.")
    original_plato: float
    apparent_extract_plato: float = Field(
        description="What the final gravity seems to say is left; alcohol lightens it."
    )
    real_extract_plato: float = Field(description="What is truly left, grams in 100 g.")
    apparent_attenuation_percent: float = Field(
        description="Share of the extract that seems gone. Over 100 is no mistake: the final gravity lies below "
        "water's."
    )
    real_attenuation_percent: float = Field(description="Share of the extract truly gone.")
    equivalent_original_sg: float = Field(
        description="The original gravity had every addition been in from the start; without additions, the original."
    )
    reading: str


def _correct(i: Any) -> object:  # noqa: ANN401  one calculation or columns
    return hydrometer.correct_hydrometer(
        i.reading_sg,
        i.sample_c,
        i.calibration_c,
        reading_uncertainty_sg=i.reading_uncertainty_sg,
        thermometer_uncertainty_c=i.thermometer_uncertainty_c,
    )


def _hydrometer_cautions(i: Any) -> Sequence[str]:  # noqa: ANN401
    poor = (hydrometer.CAUTION,) if any_above(i.sample_c, _POOR_READING_C) else ()
    return (*poor, *if_hot(i.sample_c))


GRAVITY_CALCULATORS = (
    Calculator(
        name="gravity/scales",
        title="Gravity from one scale to the others",
        summary="How much sugar and the like is dissolved in a liquid is written in several ways: as gravity (1.050), "
        "in degrees Plato or Brix, in grams per litre, or as a density. Give one and get the other three, at 20 °C.",
        inputs=ScalesInputs,
        result=ScalesResult,
        compute=lambda i: gravity.scales(
            sg=i.sg, plato=i.plato, extract_g_per_l=i.extract_g_per_l, density_kg_per_m3=i.density_kg_per_m3
        ),
        method="ICUMSA density of sucrose solutions at 20 °C, in vacuum; inverses by safeguarded Newton.",
        sources=(ICUMSA,),
        example={"sg": 1.05},
    ),
    Calculator(
        name="gravity/hydrometer",
        title="A hydrometer read in a warm or cold sample",
        summary="A hydrometer is a float that shows the gravity of a liquid, right at one temperature alone. Give "
        "what it shows and how warm the sample is, and get what it would show at 20 °C, and how sure that is.",
        inputs=HydrometerInputs,
        result=HydrometerResult,
        compute=_correct,
        method="Expansion of a sucrose solution and of the instrument's glass (25e-6 per K); uncertainty from the "
        "reading, the thermometer and the instrument in use.",
        sources=(ICUMSA, GLASS, "Aguilera, Wright & Bean 2008, Meas. Sci. Technol. 19:015104", GUM),
        example={"reading_sg": 1.048, "sample_c": 28},
        cautions=_hydrometer_cautions,
    ),
    Calculator(
        name="gravity/refractometer",
        title="A refractometer read in a fermenting sample",
        summary="A refractometer tells sugar from a drop of liquid by how it bends light, but alcohol bends light "
        "too, so that it reads far too high once fermentation has begun. Give the extract at the start and what it "
        "shows now, and get the gravity and the alcohol.",
        inputs=RefractometerInputs,
        result=RefractometerResult,
        compute=lambda i: refractometer.read_refractometer(
            i.original_plato,
            i.reading_plato,
            i.instrument_factor,
            reading_uncertainty_plato=i.reading_uncertainty_plato,
        ),
        method="The refractive indices of sugar and ethanol are taken to add up, and Balling's relation ties the two; "
        "solved for the apparent extract. A derived model: no published table of the mixture was at hand to check it.",
        sources=(
            "ICUMSA table of the refractive index of sucrose",
            "CRC Handbook, 102nd ed. (index of ethanol)",
            BALLING,
            GUM,
        ),
        example={"original_plato": 20, "reading_plato": 9},
    ),
    Calculator(
        name="gravity/attenuation",
        title="Alcohol and attenuation from two gravities",
        summary="Yeast turns sugar into alcohol, and the liquid gets lighter. From the gravity before and after, this "
        "says how strong it has become, how sure that is, and how much of the sugar is gone. What was added on the "
        "way can be declared.",
        inputs=AttenuationInputs,
        result=AttenuationResult,
        compute=lambda i: gravity.attenuation(
            i.original_sg, i.final_sg, i.reading_uncertainty_sg, as_ingredients(i.additions or ()), i.volume_l
        ),
        reading=lambda i, result: gravity_readings.attenuation_reading(result, fed=bool(i.additions)),
        method="Balling's relation, attenuation coefficient 0.8192; volume through the OIML R 22 density at 20 °C; "
        "first-order uncertainty from the readings and the coefficient; additions by mass balance, counted as "
        "exact. Balling's relation was measured on beer: the EU's convention for wine (16.83 g of sugar in a litre for "
        f"each % vol) makes 3 % less alcohol of sugar. The linear rule is {COMMON_PRACTICE}.",
        sources=(BALLING, CUTAIA, ICUMSA, OIML_R22, "Arrêté of 14 September 2011 (France), annex I (wine)", GUM),
        example={"original_sg": 1.05, "final_sg": 1.01},
    ),
)
