"""Factors are those of NIST Special Publication 811 (2008), appendix B.8, where they are exact by definition."""

from typing import Annotated

import pytest
from pydantic import Field, ValidationError

from service.intake.quantities import CELSIUS, CELSIUS_SPAN, HOURS, KG_PER_M3, KILOGRAMS, LITRES, MILLILITRES, PERCENT
from service.intake.strict import Strict


class Measured(Strict):
    volume_l: Annotated[float, Field(gt=0, le=100), LITRES] | None = None
    pour_ml: Annotated[float, Field(gt=0), MILLILITRES] | None = None
    mass_kg: Annotated[float, Field(ge=0), KILOGRAMS] | None = None
    at_c: Annotated[float, Field(ge=-10, le=100), CELSIUS] | None = None
    within_c: Annotated[float, CELSIUS_SPAN] | None = None
    rest_h: Annotated[float, HOURS] | None = None
    abv_percent: Annotated[float, PERCENT] | None = None
    density_kg_per_m3: Annotated[float, KG_PER_M3] | None = None


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [
        ("volume_l", "1 gal", 3.785411784),
        ("volume_l", "1 imp gal", 4.54609),
        ("volume_l", "2 qt", 1.892705892),
        ("volume_l", "330 ml", 0.33),
        ("pour_ml", "1 fl oz", 29.5735295625),
        ("pour_ml", ".5 FL  OZ", 14.78676478125),
        ("mass_kg", "1 lb", 0.45359237),
        ("mass_kg", "16 oz", 0.45359237),
        ("at_c", "68 degF", 20.0),
        ("at_c", "68°F", 20.0),
        ("at_c", "293.15 K", 20.0),
        ("within_c", "1.8 degF", 1.0),
        ("within_c", "1 degC", 1.0),
        ("rest_h", "2 days", 48.0),
        ("abv_percent", "40 % vol", 40.0),
        ("density_kg_per_m3", "0.9982 g/ml", 998.2),
    ],
)
def test_text_is_converted_to_the_fields_unit(field, text, value):
    assert getattr(Measured.model_validate({field: text}), field) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("field", "text", "said"),
    [
        ("volume_l", "5 degC", "unit of temperature"),
        ("volume_l", "5 firkin", "not known here"),
        ("volume_l", "five gal", "write a bare number in liter"),
        ("volume_l", "5", "write a bare number in liter"),
        ("volume_l", "5 gal; import os", "write a bare number in liter"),
        ("volume_l", "2**99 l", "write a bare number in liter"),
        ("volume_l", "9" * 70 + " l", "write a bare number in liter"),
        ("volume_l", "30 gal", "less than or equal to 100"),
        ("volume_l", "1e99 l", "less than or equal to 100"),
        ("volume_l", "\u0665 l", "write a bare number in liter"),
        ("at_c", "500 degF", "less than or equal to 100"),
        ("at_c", True, "valid number"),
        ("at_c", float("nan"), "finite"),
        ("at_c", 10**300, "less than or equal to 100"),
    ],
)
def test_what_is_not_a_quantity_is_refused_by_name(field, text, said):
    with pytest.raises(ValidationError) as caught:
        Measured.model_validate({field: text})
    [fault] = caught.value.errors()
    assert fault["loc"] == (field,)
    assert said in fault["msg"]
    assert not isinstance(text, str) or text not in fault["msg"]
