import numpy as np
import pytest
from scipy import stats

from service.science.discrimination import METHODS, proportion_correct, significance
from service.science.drinking import alcohol_load
from service.science.errors import InputError
from service.science.trial_planning import trial_plan

# Alpha .05, power .80 at d' 1: first and stable numbers of presentations, computed in exact fractions and with base R.
AT_D_PRIME_ONE = {
    "triangle": (202, 220),
    "tetrad": (61, 65),
    "duo_trio": (228, 241),
    "two_afc": (23, 26),
    "three_afc": (16, 22),
}


@pytest.mark.parametrize("method", METHODS)
def test_every_method_at_one_d_prime(method):
    plan = trial_plan(method, d_prime=1.0)
    assert (plan.presentations_first, plan.presentations) == AT_D_PRIME_ONE[method]
    others = {each.method: (each.presentations_first, each.presentations) for each in plan.alternatives}
    assert others == {name: numbers for name, numbers in AT_D_PRIME_ONE.items() if name != method}


def test_the_plan_agrees_with_the_test_it_plans_for():
    plan = trial_plan("triangle", proportion_discriminating=0.4, significance=0.01, power=0.9)
    assert plan.fewest_correct == significance("triangle", plan.presentations, 0).fewest_correct_for["0.01"]
    correct = 1 / 3 + 2 / 3 * 0.4
    assert plan.achieved_power == pytest.approx(
        stats.binom.sf(plan.fewest_correct - 1, plan.presentations, correct), rel=1e-9
    )
    assert plan.achieved_significance == pytest.approx(
        stats.binom.sf(plan.fewest_correct - 1, plan.presentations, 1 / 3), rel=1e-9
    )
    assert proportion_correct("triangle", plan.d_prime) == pytest.approx(correct, abs=1e-12)
    assert plan.proportion_discriminating == 0.4


def test_the_power_curve_passes_through_the_plan():
    plan = trial_plan("tetrad", d_prime=1.5)
    points = {point.presentations: point for point in plan.power_curve}
    assert points[plan.presentations].power == plan.achieved_power
    assert points[plan.presentations].fewest_correct == plan.fewest_correct
    assert points[1].fewest_correct is None
    assert points[1].power == 0.0
    assert max(points) >= 1.4 * plan.presentations


def test_alternatives_hold_the_same_d_prime():
    plan = trial_plan("triangle", d_prime=2.0)
    for each in plan.alternatives:
        g = METHODS[each.method].guess_probability
        share = (proportion_correct(each.method, 2.0) - g) / (1 - g)
        assert each.proportion_discriminating == pytest.approx(share, abs=1e-12)
        assert each.direction_named == (each.method in ("two_afc", "three_afc"))
        assert each.glasses == each.presentations * METHODS[each.method].glasses_per_presentation


def test_an_alternative_beyond_reach_has_no_numbers():
    plan = trial_plan("two_afc", d_prime=0.2)
    triangle = next(each for each in plan.alternatives if each.method == "triangle")
    assert triangle.presentations is None
    assert triangle.glasses is None
    assert triangle.days is None


def test_glasses_and_alcohol_are_those_of_the_tasting():
    plan = trial_plan("triangle", d_prime=2.0, pour_ml=20.0, abv_percent=12.0)
    load = alcohol_load(plan.presentations, 3, 20.0, 12.0)
    assert plan.glasses == 3 * plan.presentations
    assert plan.poured_ml == pytest.approx(load.poured_ml)
    assert plan.alcohol_g == pytest.approx(load.grams)
    assert plan.days == load.days_advised


def test_households_share_the_work():
    alone = trial_plan("triangle", proportion_discriminating=0.2)
    alike = trial_plan("triangle", proportion_discriminating=0.2, households=8)
    differing = trial_plan("triangle", proportion_discriminating=0.2, households=8, between_household_sd=1.5)
    assert alike.presentations < alone.presentations
    assert alike.presentations_in_all == 8 * alike.presentations
    assert differing.presentations > alike.presentations
    assert differing.achieved_power >= 0.8
    few = trial_plan("triangle", proportion_discriminating=0.2, households=3, between_household_sd=1.5)
    assert few.presentations_in_all > differing.presentations_in_all


def test_a_difference_that_nobody_misses_still_needs_a_length():
    plan = trial_plan("two_afc", d_prime=10.0, households=2, between_household_sd=1.0)
    assert plan.presentations_in_all >= 5
    assert np.isfinite([point.power for point in plan.power_curve]).all()


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"d_prime": None}, "d_prime"),
        ({"proportion_discriminating": 0.3}, "d_prime"),
        ({"d_prime": 0.0}, "d_prime"),
        ({"d_prime": 0.05}, "d_prime"),
        ({"d_prime": None, "proportion_discriminating": 1.0}, "proportion_discriminating"),
        ({"d_prime": None, "proportion_discriminating": 0.001}, "proportion_discriminating"),
        ({"significance": 0.0}, "significance"),
        ({"power": 1.0}, "power"),
        ({"households": 0}, "households"),
        ({"households": 2.5}, "households"),
        ({"between_household_sd": -1.0}, "between_household_sd"),
        ({"d_prime": 0.3, "between_household_sd": 3.0}, "d_prime"),
        ({"pour_ml": 0.0}, "pour_ml"),
        ({"abv_percent": 120.0}, "abv_percent"),
    ],
)
def test_what_is_refused(change, field):
    with pytest.raises(InputError) as refusal:
        trial_plan("triangle", **({"d_prime": 1.0} | change))
    assert refusal.value.field == field


def test_an_unknown_method_is_refused():
    with pytest.raises(InputError) as refusal:
        trial_plan("pentad", d_prime=1.0)
    assert refusal.value.field == "method"
