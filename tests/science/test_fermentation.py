import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.errors import InputError
from service.science.fermentation import GravityReading, progress
from service.science.fermentation_curve import FermentationCurve

EVEN = FermentationCurve(starting_sg=1.060, final_sg=1.010, centre_h=45.0, steepness_per_h=0.09, tail=1.0)


def readings(*rows):
    return [GravityReading(*row) for row in rows]


def along(curve, until_h, every_h=12.0, seed=1, spread=0.0005):
    at_h = np.arange(0.0, until_h + 0.1, every_h)
    sg = curve.sg(at_h) + np.random.default_rng(seed).normal(0.0, spread, len(at_h))
    return [GravityReading(t, g) for t, g in zip(at_h.tolist(), sg.tolist(), strict=True)]


@pytest.mark.parametrize(
    ("until_h", "state"), [(12.0, "lagging"), (48.0, "active"), (84.0, "slowing"), (168.0, "finished")]
)
def test_a_ferment_goes_through_its_states(until_h, state):
    assert progress(along(EVEN, until_h)).state == state


def test_a_steady_gravity_is_finished_or_stalled_by_the_stated_rules():
    stuck = FermentationCurve(1.080, 1.038, 40.0, 0.09, 1.0)
    assert progress(along(stuck, 168.0)).state == "stalled"
    done = along(EVEN, 168.0)
    assert progress(done).state == "finished"
    assert progress(done, expected_final_sg=1.002).state == "stalled"
    assert progress(along(stuck, 168.0), expected_final_sg=1.037).state == "finished"
    # Two days of agreement are asked for.
    assert progress(along(EVEN, 108.0)).state == "slowing"


def test_the_curve_and_its_numbers():
    ours = progress(along(EVEN, 168.0, 6.0))
    assert ours.projected_final_sg.low < 1.010 < ours.projected_final_sg.high
    assert ours.projected_final_sg.estimate == pytest.approx(1.010, abs=1e-3)
    assert ours.lag_h == pytest.approx(EVEN.lag_h(), abs=3.0)
    assert ours.fastest_drop_sg_per_day == pytest.approx(24 * 0.050 * 0.09 / 4, rel=0.1)
    assert abs(ours.present_drop_sg_per_day) < 5e-4
    assert ours.apparent_attenuation_percent == pytest.approx(100 * (1 - 2.5682 / 14.7508), abs=2.0)
    assert ours.points[0].at_h == 0.0
    assert ours.points[-1].at_h == 168.0
    assert ours.points[0].sg > ours.points[-1].sg


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_readings_make_no_curve(count):
    few = readings((0.0, 1.080), (24.0, 1.062), (48.0, 1.034))[:count]
    ours = progress(few)
    assert ours.curve is None
    assert ours.projected_final_sg is None
    assert ours.lag_h is None
    assert ours.fastest_drop_sg_per_day is None
    assert ours.points == ()
    assert "One reading" in ours.reading if count == 1 else "make no curve" in ours.reading


def test_readings_at_one_time_are_one_reading():
    ours = progress(readings(*[(0.0, 1.050)] * 3, *[(24.0, 1.040)] * 3))
    assert ours.curve is None
    assert ours.state == "active"


def test_four_readings_make_one():
    ours = progress(readings((0.0, 1.050), (24.0, 1.040), (48.0, 1.025), (72.0, 1.015)))
    assert ours.curve is not None
    assert ours.state == "active"
    assert "too early to say" in ours.reading
    assert ours.projected_final_sg.high - ours.projected_final_sg.low > 0.01


def test_order_does_not_matter_and_positions_are_the_callers():
    rows = along(EVEN, 144.0)
    rows[4] = GravityReading(rows[4].at_h, rows[4].sg + 0.04)
    shuffled = [rows[n] for n in (4, 0, 2, 1, 3, *range(5, len(rows)))]
    assert progress(rows).off_curve == (4,)
    ours = progress(shuffled)
    assert ours.off_curve == (0,)
    assert ours.projected_final_sg == progress(rows).projected_final_sg
    assert "1 reading lies off the curve" in ours.reading


def test_no_fall_is_lag_and_then_a_stall():
    young = progress(readings((0.0, 1.050), (6.0, 1.0505), (12.0, 1.0495), (20.0, 1.050)))
    assert young.state == "lagging"
    assert young.curve is None
    old = progress(readings((0.0, 1.050), (24.0, 1.0505), (48.0, 1.0495), (96.0, 1.050)))
    assert old.state == "stalled"
    assert "hasn't started" in old.reading
    # Somebody who only began to read at the end.
    assert progress(readings((200.0, 0.998), (225.0, 0.998), (250.0, 0.998))).state == "finished"


def test_a_late_first_reading_is_not_the_original_gravity():
    late = progress(
        readings((72.0, 1.018), (96.0, 1.012), (120.0, 1.009), (150.0, 1.0085), (180.0, 1.0085), (210.0, 1.0085))
    )
    assert late.state == "finished"
    assert late.apparent_attenuation_percent is None
    assert late.lag_h is None


def test_feeding_in_steps_is_not_forced_into_a_curve():
    fed = progress(readings((0, 1.080), (24, 1.060), (48, 1.030), (72, 1.055), (96, 1.030), (120, 1.050), (144, 1.020)))
    assert fed.curve is None
    assert "additions" in fed.reading
    risen = progress(readings((0, 1.080), (24, 1.040), (48, 1.010), (72, 1.040), (96, 1.045)))
    assert risen.curve is None
    assert "risen" in risen.reading


def test_cooling_is_named_where_it_stalls():
    stuck = along(FermentationCurve(1.080, 1.038, 40.0, 0.09, 1.0), 168.0)
    cooled = [GravityReading(each.at_h, each.sg, 24.0 if each.at_h < 60.0 else 16.0) for each in stuck]
    assert "cooled by 8 K" in progress(cooled).reading
    assert "cooled" not in progress(stuck).reading


@pytest.mark.parametrize("until_h", [12.0, 48.0, 84.0, 168.0])
def test_every_reading_says_what_to_check_next(until_h):
    says = progress(along(EVEN, until_h)).reading
    assert any(word in says for word in ("Check", "Read ", "check", "read "))
    assert "  " not in says
    assert says.endswith(".")


def test_noise_and_five_thousand_readings():
    at_h = np.linspace(0.0, 200.0, 5000)
    sg = EVEN.sg(at_h) + np.random.default_rng(5).normal(0.0, 0.003, 5000)
    ours = progress([GravityReading(t, g) for t, g in zip(at_h.tolist(), sg.tolist(), strict=True)])
    assert ours.state == "finished"
    assert ours.projected_final_sg.estimate == pytest.approx(1.010, abs=1e-3)


@given(
    st.lists(st.tuples(st.floats(0, 400), st.floats(0.99, 1.12)), min_size=1, max_size=12),
    st.sampled_from([0.0005, 0.001, 0.003]),
)
@settings(max_examples=60, deadline=None)
def test_nonsense_gives_an_answer_without_nan(rows, spread):
    ours = progress(readings(*rows), spread)
    assert ours.state in {"lagging", "active", "slowing", "finished", "stalled"}
    numbers = [ours.latest_sg, ours.lag_h, ours.fastest_drop_sg_per_day, ours.present_drop_sg_per_day]
    if ours.projected_final_sg is not None:
        interval = ours.projected_final_sg
        numbers += [interval.estimate, interval.low, interval.high, *(point.sg for point in ours.points)]
        assert interval.low <= interval.estimate <= interval.high
    assert all(math.isfinite(each) for each in numbers if each is not None)


@pytest.mark.parametrize(
    ("rows", "field", "index"),
    [
        ([], "readings", None),
        ([(0.0, 1.05)] * 10_001, "readings", None),
        ([(0.0, 1.05), (24.0, 50.0)], "readings.sg", 1),
        ([(0.0, 1.05), (24.0, math.nan)], "readings.sg", 1),
        ([(-1.0, 1.05)], "readings.at_h", 0),
        ([(0.0, 1.05, 20.0), (1.0, 1.05, 300.0)], "readings.temperature_c", 1),
    ],
)
def test_bad_readings_are_refused_by_place(rows, field, index):
    with pytest.raises(InputError) as caught:
        progress(readings(*rows))
    assert (caught.value.field, caught.value.index) == (field, index)


def test_bad_options_are_refused():
    with pytest.raises(InputError, match="reading_uncertainty_sg"):
        progress(along(EVEN, 48.0), 0.0)
    with pytest.raises(InputError, match="expected_final_sg"):
        progress(along(EVEN, 48.0), expected_final_sg=10.0)
