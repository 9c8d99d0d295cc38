import pytest

from service.science.fermentables import Ingredient
from service.science.gravity import attenuation
from service.science.gravity_readings import attenuation_reading


def test_above_a_hundred_per_cent_is_explained():
    said = attenuation_reading(attenuation(1.090, 0.995))
    assert "reads below 1.000" in said
    assert "12.8 % vol" in said


@pytest.mark.parametrize(
    ("original", "final", "words"),
    [(1.09, 0.995, "gives 12.5, 0.3 too low"), (1.05, 1.01, "gives 5.3 too."), (1.03, 1.012, "gives 2.4 too.")],
)
def test_the_common_rule_stands_beside_it_with_its_shortfall(original, final, words):
    # 131.25 (1.090 - 0.995) = 12.47 and 131.25 (1.030 - 1.012) = 2.36, by hand.
    said = attenuation_reading(attenuation(original, final))
    assert words in said
    assert "no mistake" not in said or final < 1.0


def test_what_was_added_is_said():
    fed = attenuation(1.08, 1.005, additions=[Ingredient("honey", mass_kg=1.0)], volume_l=20.0)
    said = attenuation_reading(fed, fed=True)
    assert f"had started at {fed.equivalent_original_sg:.3f}" in said
    assert "had started" not in attenuation_reading(fed)
