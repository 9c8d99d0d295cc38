from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field

from service.api.calculators.cautions import SEALED, if_hot
from service.api.calculators.fields import OneOf, number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import COMMON_PRACTICE
from service.evidence.blocks import Estimate
from service.intake.quantities import CELSIUS, EXTRACT, HOURS, KILOGRAMS, LITRES
from service.intake.strict import Strict
from service.science import fermentation, pitching
from service.science.errors import InputError


class ReadingInputs(Strict):
    """One reading of a ferment's gravity."""

    at_h: Annotated[float, number("Hours since pitching (since the yeast went in).", 0.0, 50_000.0, 24.0), HOURS]
    sg: Annotated[float, number("Specific gravity 20/20 °C, free of gas.", 0.97, 1.349, 1.06)]
    temperature_c: Annotated[float | None, number("Temperature of the ferment, °C.", -10.0, 60.0, 22.0), CELSIUS] = None


class ProgressInputs(Strict):
    """A ferment's readings so far."""

    readings: Annotated[
        list[ReadingInputs],
        Field(
            min_length=1,
            max_length=fermentation.MOST_READINGS,
            description="In any order; a curve needs four at different times.",
        ),
    ]
    reading_uncertainty_sg: Annotated[
        float, number("Standard uncertainty of one reading; 0.001 is usual at home.", 0.0001, 0.05, 0.001)
    ] = 0.001
    expected_final_sg: Annotated[
        float | None, number("Where this yeast on this must usually ends, if you know.", 0.97, 1.2, 1.012)
    ] = None


class Curve(Result):
    """sg(t) = final + (starting - final) [1 + exp(steepness (t - centre))]^(-tail), t in hours."""

    starting_sg: float
    final_sg: float
    centre_h: float
    steepness_per_h: float
    tail: float


class CurvePoint(Result):
    """One point of the curve."""

    at_h: float
    sg: float


class ProgressResult(Result):
    """Where the ferment stands; what too few readings can't show is null."""

    state: Literal["lagging", "active", "slowing", "finished", "stalled"]
    latest_sg: float
    apparent_attenuation_percent: float | None = Field(description="Share of the extract that seems gone.")
    curve: Curve | None
    points: list[CurvePoint] = Field(description="The curve between the first and the last reading, for drawing.")
    projected_final_sg: Estimate | None = Field(description="Where it is heading, with a 95 % interval.")
    lag_h: float | None = Field(description="Hours until it got going.")
    fastest_drop_sg_per_day: float | None
    present_drop_sg_per_day: float | None
    off_curve: list[int] = Field(description="Positions, from 0, of readings that the curve passes by.")
    reading: str


class PartInputs(OneOf):
    """One liquid: how much, how warm, how sweet."""

    one_of = ("mass_kg", "volume_l")

    mass_kg: Annotated[float | None, number("Its mass in kg.", 0.0, 1e9, 10.0), KILOGRAMS] = None
    volume_l: Annotated[
        float | None, number("Or its volume in litres, at its own temperature.", 0.0, 1e9, 10.0), LITRES
    ] = None
    temperature_c: Annotated[float, number("Its temperature, °C.", 0.0, 100.0, 80.0), CELSIUS]
    plato: Annotated[float, number("Its extract, grams in 100 g; 0 for water.", 0.0, 70.0, 15.0), EXTRACT] = 0.0


class PitchMixInputs(Strict):
    """Liquids to be mixed; or one, the temperature it should come to, and that of the water at hand."""

    parts: Annotated[
        list[PartInputs],
        Field(min_length=1, max_length=200, description="The liquids; exactly one where a target is given."),
    ]
    target_c: Annotated[float | None, number("Temperature wanted, °C.", 0.0, 100.0, 24.0), CELSIUS] = None
    water_c: Annotated[float | None, number("Temperature of the water at hand, °C.", 0.0, 100.0, 12.0), CELSIUS] = None


class PitchMixResult(Result):
    """What the mixture comes to."""

    temperature_c: float
    mass_kg: float
    plato: float
    add_water_l: float | None = Field(
        description="Water to add, in litres at its own temperature; null where only mixing was asked for."
    )
    add_water_kg: float | None


def _progress(inputs: ProgressInputs) -> object:
    for index, (earlier, later) in enumerate(pairwise(inputs.readings), start=1):
        if later.at_h < earlier.at_h:
            detail = (
                "is earlier than the reading before it: put the readings in order of time, and check this one's hour."
            )
            raise InputError("readings.at_h", detail, index)
    readings = [fermentation.GravityReading(each.at_h, each.sg, each.temperature_c) for each in inputs.readings]
    return fermentation.progress(readings, inputs.reading_uncertainty_sg, inputs.expected_final_sg)


def _mix(inputs: PitchMixInputs) -> object:
    parts = [pitching.Part(each.temperature_c, each.mass_kg, each.volume_l, each.plato) for each in inputs.parts]
    return pitching.pitch_mix(parts, inputs.target_c, inputs.water_c)


def _mix_cautions(inputs: PitchMixInputs) -> Sequence[str]:
    hot = if_hot(inputs.target_c, inputs.water_c, *(part.temperature_c for part in inputs.parts))
    return (*((pitching.CAUTION,) if hot else ()), *hot)


FERMENTATION_CALCULATORS = (
    Calculator(
        name="fermentation/progress",
        title="How far a ferment has come",
        summary="Give the gravity readings of a ferment with their times. It draws the curve through them, says "
        "whether the ferment has yet to start, is going, is slowing down, has finished or is stuck, where it is "
        "heading, and what to check next.",
        inputs=ProgressInputs,
        result=ProgressResult,
        compute=_progress,
        method="Falling sigmoid (Richards curve) by least squares with pseudo-Huber loss; interval of the end by "
        f"profile likelihood. The rules that name the state are {COMMON_PRACTICE}: readings 48 h apart that agree, "
        "and a fall of 70 % or more, mean finished.",
        sources=(
            "Richards 1959, J. Exp. Bot. 10:290 (the curve)",
            "Huber 1964, Ann. Math. Stat. 35:73 (the loss)",
            f"States: {COMMON_PRACTICE}",
        ),
        example={
            "readings": [
                {"at_h": 0, "sg": 1.080},
                {"at_h": 24, "sg": 1.074},
                {"at_h": 48, "sg": 1.056},
                {"at_h": 72, "sg": 1.036},
                {"at_h": 120, "sg": 1.014},
                {"at_h": 168, "sg": 1.006},
            ]
        },
        cautions=(fermentation.CAUTION, SEALED),
        heavy=True,
    ),
    Calculator(
        name="fermentation/pitch-mix",
        title="Mixing hot and cold to a pitching temperature",
        summary="Yeast dies in hot liquid and sleeps in cold. Give the liquids you mean to mix and get their "
        "temperature together; or give one liquid, the temperature you want and that of your water, and get how much "
        "water to add.",
        inputs=PitchMixInputs,
        result=PitchMixResult,
        compute=_mix,
        method="Energy balance over the enthalpy of water and the heat capacity of sucrose solutions; no heat to the "
        "vessel or the air, which take a degree or so.",
        sources=(
            "IAPWS-95 (enthalpy of water)",
            "Heat capacity of sucrose solutions, 4184 − 2511 w + 7.5 w t J/(kg K): from one public source",
        ),
        example={"parts": [{"volume_l": 10, "temperature_c": 80, "plato": 15}], "target_c": 24, "water_c": 12},
        cautions=_mix_cautions,
    ),
)
