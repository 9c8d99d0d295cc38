import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.errors import InputError
from service.science.spirit_run import Charge, Fraction, cuts

# By hand: the charge holds 1.8 L of pure alcohol; the fractions 0.12, 0.84 and 0.40 L, 1.36 L together.
CHARGE = Charge(volume_l=18.0, abv_percent=10.0)
RUN = (Fraction("heads", 0.15, 80.0), Fraction("hearts", 1.2, 70.0), Fraction("tails", 1.0, 40.0))


def test_the_account_of_a_run():
    ours = cuts(CHARGE, RUN)
    assert ours.charge_pure_alcohol_l == pytest.approx(1.8)
    assert [each.pure_alcohol_l for each in ours.fractions] == pytest.approx([0.12, 0.84, 0.40])
    assert [each.share_of_charge_percent for each in ours.fractions] == pytest.approx(
        [100 * 0.12 / 1.8, 100 * 0.84 / 1.8, 100 * 0.4 / 1.8]
    )
    assert sum(each.share_of_collected_percent for each in ours.fractions) == pytest.approx(100.0)
    assert ours.recovery_percent == pytest.approx(100 * 1.36 / 1.8)
    assert ours.unaccounted_l == pytest.approx(0.44)
    assert ours.collected_l == pytest.approx(2.35)
    assert ours.scaled is None


def test_uncertainty_by_hand():
    ours = cuts(CHARGE, RUN, volume_uncertainty_percent=1.0, abv_uncertainty_percent=0.5)
    charge = 0.18 * math.hypot(0.1, 0.5)
    collected = math.hypot(0.0015 * math.hypot(0.8, 0.5), 0.012 * math.hypot(0.7, 0.5), 0.01 * math.hypot(0.4, 0.5))
    assert ours.unaccounted_uncertainty_l == pytest.approx(math.hypot(charge, collected))
    recovery = 1.36 / 1.8
    expected = 100 * math.hypot(collected / 1.8, recovery * charge / 1.8)
    assert ours.recovery_uncertainty_percent == pytest.approx(expected)


def test_cuts_lie_between_the_fractions():
    first, second = cuts(CHARGE, RUN).cuts
    assert (first.after, first.before) == ("heads", "hearts")
    assert first.collected_l == pytest.approx(0.15)
    assert 70.0 < first.at_strength_percent < 80.0
    assert second.collected_l == pytest.approx(1.35)
    # Half way in volume between the middles of hearts (0.75 L) and tails (1.85 L) would be 55 %; 1.35 L is 6/11 along.
    assert second.at_strength_percent == pytest.approx(70.0 - 30.0 * 6 / 11)
    assert second.share_of_charge_percent == pytest.approx(100 * 0.96 / 1.8)


@given(st.floats(1, 200), st.floats(1, 20))
@settings(max_examples=50)
def test_another_charge_is_cut_by_its_pure_alcohol(volume, abv):
    ours = cuts(CHARGE, RUN, Charge(volume, abv))
    scaled = ours.scaled
    assert scaled.scale == pytest.approx(volume * abv / 180.0)
    pure = 0.01 * volume * abv
    for each, before in zip(scaled.fractions, ours.fractions, strict=True):
        assert each.abv_percent == before.abv_percent
        assert 100 * each.pure_alcohol_l / pure == pytest.approx(before.share_of_charge_percent)
        assert each.volume_l * each.abv_percent == pytest.approx(100 * each.pure_alcohol_l)
    for cut, before in zip(scaled.cuts, ours.cuts, strict=True):
        assert cut.at_strength_percent == before.at_strength_percent
        assert cut.collected_l == pytest.approx(before.collected_l * scaled.scale)


def test_the_same_charge_is_cut_the_same():
    ours = cuts(CHARGE, RUN, CHARGE)
    assert ours.scaled.scale == 1.0
    assert ours.scaled.cuts == ours.cuts


@pytest.mark.parametrize(
    ("charge", "fractions", "field", "says"),
    [
        (Charge(10.0, 10.0), RUN, "fractions", "more than the charge"),
        (Charge(10.0, 0.0), RUN, "charge", "no alcohol"),
        (Charge(-1.0, 10.0), RUN, "charge.volume_l", "between"),
        (CHARGE, [], "fractions", "at least one"),
        (CHARGE, [Fraction("heads", 1.0, 0.0)], "fractions", "no alcohol"),
        (CHARGE, [Fraction("heads", 1.0, 101.0)], "fractions.abv_percent", "between"),
    ],
)
def test_impossible_accounts_are_refused(charge, fractions, field, says):
    with pytest.raises(InputError, match=says) as caught:
        cuts(charge, fractions)
    assert caught.value.field == field


def test_a_charge_to_scale_to_must_hold_alcohol():
    with pytest.raises(InputError, match="scale_to_charge: holds no alcohol"):
        cuts(CHARGE, RUN, Charge(10.0, 0.0))
