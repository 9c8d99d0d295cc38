import pytest
from pydantic import TypeAdapter, ValidationError

from service.intake.measures import Strength, StrengthSpan

STRENGTH = TypeAdapter(Strength)


@pytest.mark.parametrize(("given", "percent"), [(40, 40.0), ("40 %", 40.0), ("40 % vol", 40.0), ("80 US proof", 40.07)])
def test_a_strength_in_any_of_its_units(given, percent):
    # 27 CFR 30.11: 80 proof is 40 % vol at 60 °F, by OIML R 22 40.07 at 20 °C.
    assert STRENGTH.validate_python(given) == pytest.approx(percent, abs=2e-3)


@pytest.mark.parametrize("given", ["12 degP", "12 g/L", "101 %", "201 US proof", "forty"])
def test_what_is_no_strength_is_refused(given):
    with pytest.raises(ValidationError, match=r"unit of alcohol|less than or equal|between 0 and 200"):
        STRENGTH.validate_python(given)


def test_a_tolerance_of_strength():
    assert TypeAdapter(StrengthSpan).validate_python("0.5 % vol") == 0.5
    with pytest.raises(ValidationError, match="greater than 0"):
        TypeAdapter(StrengthSpan).validate_python("0 % vol")
