from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from service.science.pooling.random_effects import scaled
from service.science.pooling.weighted_sums import Problems, spread, sums, whole

EPSILON = float(np.finfo(np.float64).eps)


def _exact(y, v, tau2):
    """The sums of the definition in fractions, where nothing is rounded: of w, of w^2, the mean, and of w r^2."""
    y = [Fraction(each) for each in y.tolist()]
    w = [1 / (Fraction(each) + Fraction(tau2)) for each in v.tolist()]
    w1 = sum(w)
    mean = sum(a * b for a, b in zip(w, y, strict=True)) / w1
    q = sum(a * (b - mean) ** 2 for a, b in zip(w, y, strict=True))
    return tuple(float(each) for each in (w1, sum(a * a for a in w), mean, q))


def _check(y, v, tau2, rel):
    found = spread(whole(y, v), np.array([tau2]))
    w1, w2, mean, q = _exact(y, v, tau2)
    assert found.w1[0] == pytest.approx(w1, rel=1e-14 * len(y))
    assert found.w2[0] == pytest.approx(w2, rel=1e-14 * len(y))
    assert found.mean[0] == pytest.approx(mean, rel=1e-9, abs=4 * EPSILON * float(np.ptp(y)))
    assert found.q[0] == pytest.approx(q, rel=rel)


@pytest.mark.parametrize("tau2", [0.0, 1e-30, 1e-15, 1e-6, 1e-2, 1.0, 1e6, 1e15])
@pytest.mark.parametrize("reach", [0.5, 3.0, 8.0, 15.0])
def test_one_pass_is_exact_however_far_variances_are_apart(reach, tau2):
    draw = np.random.default_rng(3)
    for count in (2, 3, 10, 40):
        data = scaled(draw.normal(5.0, 1.0, count), 10.0 ** (0.5 * draw.uniform(-reach, reach, count)))
        _check(data.y, data.v, tau2, 1e-11)


@pytest.mark.parametrize("first", [0.0, 1.0, 1e3, 1e9, -1e15])
@pytest.mark.parametrize("reach", [0.5, 8.0, 30.0])
def test_sums_kept_from_centring_are_those_of_the_centred_values(reach, first):
    draw = np.random.default_rng(5)
    for count in (1, 2, 10):
        y = draw.normal(5.0, 1.0, count)
        y[0] = first
        data = scaled(y, 10.0 ** (0.5 * draw.uniform(-reach, reach, count)))
        w1, w2, mean, q = _exact(data.y, data.v, 0.0)
        found = data.at_zero
        assert (found.count[0], found.w1[0], found.w2[0]) == pytest.approx((count, w1, w2), rel=1e-13)
        assert found.mean[0] == pytest.approx(mean, abs=4 * EPSILON)
        assert found.q[0] == pytest.approx(q, rel=1e-11)


@pytest.mark.parametrize(("best", "tau2"), list(product([1e-7, 1e-4, 1e-2, 1.0], [0.0, 1e-6, 1e-2, 1.0])))
def test_one_reading_pulls_the_mean_of_ten_thousand(best, tau2):
    """The common-effect mean is the outlier's, the mean under tau2 that of all others, 1/k of the weights its own."""
    draw = np.random.default_rng(4)
    y, error = np.round(draw.normal(0.0, 0.01, 10_000), 6), np.full(10_000, 0.03)
    y[0], error[0] = 8.0, best * 0.03
    data = scaled(y, error)
    # Numbers with few digits, so that fractions stay small.
    _check(np.round(data.y * 2**30) / 2**30, np.ldexp(1.0, np.frexp(data.v)[1]), tau2, 1e-11)


@pytest.mark.parametrize("shift", [1e2, 1e5, 1e8])
def test_values_that_are_not_centred_lose_nothing_either(shift):
    draw = np.random.default_rng(6)
    _check(draw.normal(shift, 1.0, 20), 10.0 ** draw.uniform(-3, 3, 20), 0.1, 1e-6 if shift == 1e8 else 1e-9)


@pytest.mark.parametrize("count", [1, 2, 8_192, 8_193, 20_000])
def test_one_pass_and_residuals_give_the_same(count):
    draw = np.random.default_rng(7)
    data = scaled(draw.normal(0.0, 1.0, count), draw.uniform(0.1, 0.5, count))
    for tau2 in np.array([[0.0], [0.3]]):
        one, two = spread(data.together, tau2), sums(data.together, tau2)
        for name in ("count", "w1", "w2", "mean", "q"):
            assert getattr(one, name) == pytest.approx(getattr(two, name), rel=1e-11, abs=1e-15)


@pytest.mark.parametrize("kept", ["all", "without_each", "up_to_each"])
def test_many_problems_at_once_are_each_alone(kept):
    draw = np.random.default_rng(9)
    data = scaled(draw.normal(0.0, 1.0, 7), draw.uniform(0.1, 2.0, 7))
    rows = np.arange(7)
    tau2 = np.linspace(0.0, 1.0, 7)
    chosen = {"all": [rows] * 7, "without_each": [np.delete(rows, i) for i in rows]}.get(
        kept, [rows[: i + 1] for i in rows]
    )
    many = spread(Problems(data.y, data.v, kept, rows), tau2)
    for i, some in enumerate(chosen):
        w1, w2, mean, q = _exact(data.y[some], data.v[some], tau2[i])
        assert many.count[i] == len(some)
        assert (many.w1[i], many.w2[i]) == pytest.approx((w1, w2), rel=1e-12)
        assert (many.mean[i], many.q[i]) == pytest.approx((mean, q), rel=1e-11, abs=1e-15)


def test_equal_values_spread_by_nothing():
    data = scaled(np.full(50, 0.1), np.geomspace(1e-3, 1e3, 50))
    for tau2 in (0.0, 1e-3, 1.0):
        assert spread(data.together, np.array([tau2])).q[0] == 0.0
