"""Extract scales, and alcohol by Balling's relation.

Sources of the figures stand in tests/reference/gravity/SOURCES.md.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import gravity, sugar
from service.science.errors import InputError
from service.science.fermentables import Ingredient
from tests.science.published import markdown_rows
from tests.science.test_sugar import density_from_sg_in_air

BALLING = markdown_rows("gravity/plato_formulae.md", "OG")


def sg_in_vacuum(sg_in_air):
    return density_from_sg_in_air(sg_in_air) / sugar.WATER_20C


@pytest.mark.parametrize("row", BALLING, ids=lambda row: f"{row['OG']}-{row['FG']}")
def test_balling_against_the_worked_table(row):
    # plato_formulae.md, computed with gravities in air; ours are in vacuum, as their own scale is.
    original, final = float(row["OG"]), float(row["FG"])
    ours = gravity.attenuation(sg_in_vacuum(original), sg_in_vacuum(final))
    # The one negative apparent extract was extrapolated there from another polynomial (the ASBC cubic).
    allowed = 0.0006 if final >= 1.0 else 0.003
    assert ours.original_plato == pytest.approx(float(row["OE"]), abs=0.0006)
    assert ours.apparent_extract_plato == pytest.approx(float(row["AE"]), abs=allowed)
    assert ours.real_extract_plato == pytest.approx(float(row["RE"]), abs=allowed)
    assert ours.abw_percent == pytest.approx(float(row["ABW %"]), abs=0.0015)
    assert ours.abv_percent == pytest.approx(float(row["ABV % (Balling)"]), abs=0.002)
    assert ours.apparent_attenuation_percent == pytest.approx(float(row["apparent att. %"]), abs=0.02)
    assert ours.real_attenuation_percent == pytest.approx(float(row["real att. %"]), abs=0.02)
    linear = gravity.attenuation(original, final).abv_linear_percent
    # common practice, no source
    assert linear == pytest.approx(float(row["131.25 x (OG-FG)"]), abs=6e-4)


def test_balling_closes_on_mass():
    # 1 + 0.9565 + 0.11 = 2.0665, the proportions as a brewing course prints them.
    gained = gravity.EXTRACT_PER_ETHANOL - gravity.LOST_PER_ETHANOL
    assert gained == pytest.approx(1.0)
    result = gravity.attenuation(1.080, 1.010)
    ethanol = result.abw_percent
    before = 100.0 + gravity.LOST_PER_ETHANOL * ethanol
    extract_before = result.real_extract_plato + gravity.EXTRACT_PER_ETHANOL * ethanol
    assert 100.0 * extract_before / before == pytest.approx(result.original_plato, rel=1e-12)


def test_the_conventions_of_gravity_hardly_matter():
    # Air against vacuum moves the scale by 0.012 degrees Plato at 10, the strength by less than 0.02 % vol.
    air = gravity.attenuation(sg_in_vacuum(1.050), sg_in_vacuum(1.010))
    assert gravity.attenuation(1.050, 1.010).abv_percent == pytest.approx(air.abv_percent, abs=0.01)


def test_over_a_hundred_percent_apparent_attenuation_is_legal():
    result = gravity.attenuation(1.090, 0.995)
    assert result.apparent_attenuation_percent > 100.0 > result.real_attenuation_percent
    assert result.apparent_extract_plato < 0.0 < result.real_extract_plato


def test_uncertainty_has_instrument_and_model_terms():
    original, final, spread = 1.060, 1.012, 0.001
    result = gravity.attenuation(original, final, spread)

    def abv(original, final, coefficient=gravity.ATTENUATION_COEFFICIENT):
        plato, apparent = sugar.plato_from_sg(original), sugar.plato_from_sg(final)
        return gravity.alcohol(plato, apparent, final, coefficient)[1]

    terms = (
        (abv(original + spread, final) - abv(original - spread, final)) / 2,
        (abv(original, final + spread) - abv(original, final - spread)) / 2,
        (abv(original, final, 0.8192 + 0.005) - abv(original, final, 0.8192 - 0.005)) / 2,
    )
    assert result.abv_uncertainty_percent == pytest.approx(math.hypot(*terms), rel=1e-3)
    perfect = gravity.attenuation(original, final, 0.0).abv_uncertainty_percent
    assert perfect == pytest.approx(abs(terms[2]), rel=1e-6)
    assert perfect > 0.0


PLATO = st.floats(sugar.PLATO_LOW, sugar.PLATO_HIGH)


@given(PLATO)
@settings(max_examples=200)
def test_every_scale_leads_back(plato):
    by_plato = gravity.scales(plato=plato)
    for name in ("sg", "extract_g_per_l", "density_kg_per_m3"):
        back = gravity.scales(**{name: getattr(by_plato, name)})
        assert back.plato == pytest.approx(plato, rel=1e-9, abs=1e-11)
        assert back.sg == pytest.approx(by_plato.sg, rel=1e-9)
        assert back.extract_g_per_l == pytest.approx(by_plato.extract_g_per_l, rel=1e-9, abs=1e-10)
        assert back.density_kg_per_m3 == pytest.approx(by_plato.density_kg_per_m3, rel=1e-9)


@given(st.floats(1.01, 1.2), st.floats(0.0, 1.0))
@settings(max_examples=100)
def test_more_fermented_is_more_alcohol(original, share):
    final = original - share * (original - 1.0)
    result = gravity.attenuation(original, final)
    assert 0.0 <= result.abv_percent < 30.0
    assert result.abv_percent <= gravity.attenuation(original, 1.0).abv_percent + 1e-9


def test_columns_give_what_numbers_give():
    original, final = np.array([1.050, 1.060, 1.120]), np.array([1.010, 0.999, 1.030])
    whole = gravity.attenuation(original, final)
    for n in range(3):
        one = gravity.attenuation(float(original[n]), float(final[n]))
        for name in gravity.Attenuation.__slots__:
            assert type(getattr(one, name)) is float
            assert getattr(whole, name)[n] == pytest.approx(getattr(one, name), rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "field", "says"),
    [
        ({"original_sg": 1.050, "final_sg": 1.051}, "final_sg", "above the original"),
        ({"original_sg": 1.050, "final_sg": 0.975}, "final_sg", "lower than fermenting all"),
        ({"original_sg": 1.000, "final_sg": 0.998}, "original_sg", "between"),
        ({"original_sg": 1.050, "final_sg": math.nan}, "final_sg", "between"),
        ({"original_sg": 50.0, "final_sg": 1.010}, "original_sg", "between"),
        ({"original_sg": 1.050, "final_sg": 1.010, "reading_uncertainty_sg": -1}, "reading_uncertainty_sg", "between"),
    ],
)
def test_impossible_readings_are_refused(arguments, field, says):
    with pytest.raises(InputError, match=says) as caught:
        gravity.attenuation(**arguments)
    assert caught.value.field == field


def test_exactly_one_scale_is_wanted():
    with pytest.raises(InputError, match="exactly one"):
        gravity.scales()
    with pytest.raises(InputError, match="exactly one"):
        gravity.scales(sg=1.05, plato=12.0)


def test_a_batch_fed_in_steps_counts_as_if_fed_at_once():
    honey = [Ingredient("honey", mass_kg=0.5), Ingredient("honey", mass_kg=0.5), Ingredient("water", mass_kg=0.4)]
    fed = gravity.attenuation(1.080, 1.005, additions=honey, volume_l=10.0)
    # By hand: 10 L at 1.080 weigh 10.7806 kg; 1 kg of honey is 0.82 kg extract and 0.18 kg water.
    first = 0.01 * sugar.WATER_20C * 1.080
    whole = first + 1.4
    plato = 100.0 * (0.01 * sugar.plato_from_sg(1.080) * first + 0.82) / whole
    assert fed.original_plato == pytest.approx(plato, rel=1e-9)
    assert fed.equivalent_original_sg == pytest.approx(sugar.sg_from_plato(plato), rel=1e-9)
    at_once = gravity.attenuation(sugar.sg_from_plato(plato), 1.005)
    for name in ("abv_percent", "abw_percent", "real_extract_plato", "apparent_attenuation_percent"):
        assert getattr(fed, name) == pytest.approx(getattr(at_once, name), rel=1e-9)
    # What was weighed in is better known than what was read.
    assert fed.abv_uncertainty_percent < at_once.abv_uncertainty_percent


def test_additions_explain_a_rise():
    with pytest.raises(InputError, match="above the original"):
        gravity.attenuation(1.020, 1.025)
    sugar_added = [Ingredient("sucrose", mass_kg=1.5)]
    result = gravity.attenuation(1.020, 1.025, additions=sugar_added, volume_l=10.0)
    assert result.abv_percent > 0.0
    with pytest.raises(InputError, match="declare all that was added"):
        gravity.attenuation(1.020, 1.090, additions=sugar_added, volume_l=10.0)
    with pytest.raises(InputError, match="needed with additions"):
        gravity.attenuation(1.020, 1.025, additions=sugar_added)
    with pytest.raises(InputError) as caught:
        gravity.attenuation(1.020, 1.010, additions=[*sugar_added, Ingredient("tea", mass_kg=1.0)], volume_l=10.0)
    assert (caught.value.field, caught.value.index) == ("additions.kind", 1)


def test_without_additions_the_original_is_its_own_equivalent():
    assert gravity.attenuation(1.050, 1.010).equivalent_original_sg == 1.050
