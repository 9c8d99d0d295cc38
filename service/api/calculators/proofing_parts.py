from typing import Annotated

from pydantic import Field

from service.api.calculators.cautions import OBSCURED
from service.api.calculators.fields import OneOf, number
from service.api.calculators.proof_scale import OnAScale
from service.api.calculators.proofing import SPIRIT, StrengthResult
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import GLASS, GUM, OIML_R22
from service.intake.quantities import CELSIUS, CELSIUS_SPAN, KILOGRAMS, LITRES, STRENGTH
from service.intake.strict import Strict
from service.science import proofing, strength


class BlendPart(OneOf):
    """One spirit that goes in; water is one of 0 % vol."""

    one_of = ("volume_l", "mass_kg")

    volume_l: Annotated[float | None, number("How much, in litres at 20 °C.", 0.0, 1e9, 1.0), LITRES] = None
    mass_kg: Annotated[float | None, number("Or weighed, in kg: the better way.", 0.0, 1e9, 0.9), KILOGRAMS] = None
    abv_percent: Annotated[float, number("Its strength, % vol at 20 °C.", 0.0, 100.0, 62.0), STRENGTH]


class BlendInputs(Strict):
    """What is poured together."""

    parts: Annotated[list[BlendPart], Field(min_length=1, max_length=1000, description="The spirits, and water.")]


class BlendResult(Result):
    """What the blend comes to, at 20 °C."""

    abv_percent: float
    volume_l: float
    mass_kg: float
    contraction_l: float = Field(description="By how much the blend is less than its parts.")


class MatchSample(OnAScale):
    """One spirit as read, and how far the instruments may be off."""

    reading_abv_percent: Annotated[
        float,
        number("What the alcoholmeter shows, % vol; text in US proof is a mark on a scale of 60 °F.", 0.0, 100.0, 40.0),
        STRENGTH,
    ]
    sample_c: Annotated[float, number("Temperature of the sample, °C.", -20.0, 40.0, 20.0), CELSIUS]
    instrument_tolerance_percent: Annotated[
        float, number("Most that the alcoholmeter may be off, % vol; 0.5 for 1 % divisions.", 0.0, 20.0, 0.5), STRENGTH
    ] = 0.5
    thermometer_tolerance_c: Annotated[
        float, number("Most that the thermometer may be off, K.", 0.0, 10.0, 0.5), CELSIUS_SPAN
    ] = 0.5
    calibration_c: Annotated[
        float, number("Temperature printed on the alcoholmeter, °C.", 0.0, 40.0, 20.0), CELSIUS
    ] = 20.0


class MatchInputs(Strict):
    """Two spirits that should be of one strength."""

    a: MatchSample
    b: MatchSample
    tolerance_percent: Annotated[float, number("Difference that doesn't matter, % vol.", 1e-6, 10.0, 0.5), STRENGTH] = (
        0.5
    )


class MatchResult(Result):
    """How far the two could differ."""

    a: StrengthResult
    b: StrengthResult
    difference_percent: float = Field(description="a less b, % vol.")
    difference_uncertainty_percent: float = Field(description="Standard uncertainty (k = 1), % vol.")
    could_differ_by_percent: float = Field(description="The size of the difference and twice its uncertainty, % vol.")
    tolerance_percent: float
    shown_to_match: bool = Field(
        description="Whether that is within the tolerance; equal readings alone don't show it."
    )
    reading: str


PARTS_CALCULATORS = (
    Calculator(
        name="proofing/blend",
        title="Spirits poured together",
        summary="Give the spirits that go into a blend, with their strengths, and water as 0 % vol. It says how "
        "strong the blend is, how much there is of it, and how much room was lost in the mixing.",
        inputs=BlendInputs,
        result=BlendResult,
        compute=lambda i: proofing.blend(
            [proofing.Part(each.abv_percent, each.volume_l, each.mass_kg) for each in i.parts]
        ),
        method="Mass balance over the OIML R 22 density of ethanol-water mixtures at 20 °C.",
        sources=(OIML_R22,),
        example={"parts": [{"volume_l": 2, "abv_percent": 62}, {"volume_l": 1, "abv_percent": 40}]},
        cautions=(OBSCURED, *SPIRIT),
    ),
    Calculator(
        name="proofing/match",
        title="Whether two spirits are shown to be equally strong",
        summary="In a blind comparison a stronger glass gives itself away. Give both readings and how far your "
        "instruments may be off, and it says by how much the two could still differ, and whether that is little "
        "enough.",
        inputs=MatchInputs,
        result=MatchResult,
        compute=lambda i: strength.match(_sample(i.a), _sample(i.b), i.tolerance_percent),
        method="Both strengths by OIML R 22; tolerances as rectangular and independent, coverage factor 2. One "
        "instrument for both makes its own error cancel in part, so the answer errs on the safe side.",
        sources=(OIML_R22, GLASS, GUM),
        example={
            "a": {"reading_abv_percent": 40.2, "sample_c": 21},
            "b": {"reading_abv_percent": 40.0, "sample_c": 20},
            "tolerance_percent": 1,
        },
        cautions=(OBSCURED, *SPIRIT),
    ),
)


def _sample(given: MatchSample) -> strength.Sample:
    return strength.Sample(
        given.reading_abv_percent,
        given.sample_c,
        given.instrument_tolerance_percent,
        given.thermometer_tolerance_c,
        given.calibration_c,
    )
