"""A reading in US proof, which is a mark on a scale made for 60 °F and no strength yet."""

from typing import Any

from pydantic import model_validator
from pydantic_core import PydanticCustomError

from service.intake.quantities import CELSIUS, STRENGTH
from service.intake.strict import Strict
from service.science import ethanol_water

_SAME_K = 0.05


class OnAScale(Strict):
    """Takes `reading_abv_percent` in US proof too: as half of it, on a scale of 60 °F."""

    @model_validator(mode="before")
    @classmethod
    def _on_the_proof_scale(cls, given: Any) -> Any:  # noqa: ANN401  whatever was sent
        reading = given.get("reading_abv_percent") if isinstance(given, dict) else None
        if not isinstance(reading, str) or "proof" not in reading.lower():
            return given
        calibration = given.get("calibration_c", ethanol_water.SIXTY_FAHRENHEIT_C)
        try:
            abv, made_for = STRENGTH.convert(reading), CELSIUS.convert(calibration)
        except PydanticCustomError:
            return given  # the field that is wrong says so itself
        if not isinstance(abv, float):
            return given
        if isinstance(made_for, (int, float)) and abs(made_for - ethanol_water.SIXTY_FAHRENHEIT_C) > _SAME_K:
            raise PydanticCustomError(
                "proof_scale",
                "a scale of US proof is made for 15.56 °C (60 °F): leave calibration_c out, or give the reading in "
                "% vol",
            )
        proof = ethanol_water.us_proof_from_mass_fraction(ethanol_water.mass_fraction_from_abv(abv))
        return {**given, "reading_abv_percent": float(f"{0.5 * proof:.12g}"), "calibration_c": calibration}
