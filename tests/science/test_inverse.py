import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.inverse import invert


def cubic(x):
    return x * x * x, 3.0 * x * x


def step(x):
    # Flat at both ends, where a bare Newton step flies off.
    return np.tanh(40.0 * x), 40.0 / np.cosh(40.0 * x) ** 2


@given(st.floats(-8, 8), st.floats(-2, 2))
@settings(max_examples=100)
def test_a_flat_spot_does_not_stop_the_search(target, start):
    root = invert(cubic, target, -2.0, 2.0, start)
    assert root**3 == pytest.approx(target, abs=1e-9)
    rows = invert(cubic, np.array([target, 1.0]), -2.0, 2.0, np.array([start, 0.0]))
    assert rows[0] ** 3 == pytest.approx(target, abs=1e-9)
    assert rows[1] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("start", [-1.0, -0.5, 0.0, 0.9, 1.0])
def test_a_bad_first_guess_is_bracketed(start):
    targets = np.array([-0.99, -0.3, 0.0, 0.2, 0.999])
    roots = invert(step, targets, -1.0, 1.0, np.full(5, start))
    np.testing.assert_allclose(np.tanh(40.0 * roots), targets, atol=1e-9)


def test_beyond_the_bracket_the_nearer_end_is_given():
    np.testing.assert_allclose(invert(cubic, np.array([-100.0, 100.0]), -2.0, 2.0, np.zeros(2)), [-2.0, 2.0])
    assert invert(cubic, 100.0, -2.0, 2.0, 1.0) == pytest.approx(2.0)
