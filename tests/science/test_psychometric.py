import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from service.science.discrimination import METHODS, d_prime, proportion_correct
from service.science.errors import InputError
from service.science.psychometric import proportion_correct_slope, proportion_wrong
from tests.science.trial_figures import METHOD_OF, rows

phi, Phi = stats.norm.pdf, stats.norm.cdf

# The integrals as published: Frijters et al. 1980 (triangle, 3-AFC), Bradley 1963 (2-AFC), Ennis et al. 1998 (tetrad).
INTEGRAND = {
    "triangle": lambda z, d: (
        2
        * (z > 0)
        * (Phi(-z * math.sqrt(3) + d * math.sqrt(2 / 3)) + Phi(-z * math.sqrt(3) - d * math.sqrt(2 / 3)))
        * phi(z)
    ),
    "three_afc": lambda z, d: Phi(z) ** 2 * phi(z - d),
    "two_afc": lambda z, d: Phi(z) * phi(z - d),
    "tetrad": lambda z, d: phi(z) * (1 - 2 * (2 * Phi(z) * Phi(z - d) - Phi(z - d) ** 2)),
}


@pytest.mark.parametrize("name", METHOD_OF)
def test_every_row_of_the_psychometric_table(name):
    table = [row for row in rows("psychometric.csv") if row["method"] == name]
    assert len(table) == 81
    method = METHOD_OF[name]
    d = np.array([float(row["dprime"]) for row in table])
    p = np.array([float(row["p_correct"]) for row in table])
    slope = np.array([float(row["dp_dd"]) for row in table])
    assert np.abs(proportion_correct(method, d) - p).max() < 1e-8
    assert np.abs(d_prime(method, p) - d).max() < 1e-8
    assert np.abs(proportion_correct_slope(method, d) - slope).max() < 1e-8


@pytest.mark.parametrize("method", INTEGRAND)
@pytest.mark.parametrize("d", [0.0, 0.3, 1.7, 4.2, 7.5])
def test_closed_forms_equal_the_published_integrals(method, d):
    parts = [integrate.quad(INTEGRAND[method], *ends, args=(d,), epsabs=1e-12)[0] for ends in ((-12, 0), (0, 20))]
    assert proportion_correct(method, d) == pytest.approx(sum(parts), abs=1e-10)


def test_the_triangle_is_a_noncentral_f_tail():
    d = np.linspace(0.1, 5, 25)
    assert np.allclose(proportion_correct("triangle", d), stats.ncf.sf(3, 1, 1, 2 * d**2 / 3), atol=1e-8)


@pytest.mark.parametrize("method", METHODS)
def test_the_inverse_returns_over_the_whole_range(method):
    d = np.concatenate([[0.0], np.geomspace(1e-7, 0.1, 2000), np.linspace(0.1, 5.0, 20_011)])
    assert np.abs(d_prime(method, proportion_correct(method, d)) - d).max() < 1e-8
    # Beyond 5 a proportion of doubles runs out of digits before the inverse does: compare proportions.
    far = np.linspace(5.0, 8.0, 4001)
    again = proportion_correct(method, d_prime(method, proportion_correct(method, far)))
    assert np.abs(again - proportion_correct(method, far)).max() < 1e-15
    assert np.abs(d_prime(method, proportion_correct(method, far)) - far).max() < 1e-6


@pytest.mark.parametrize("method", METHODS)
def test_the_inverse_never_falls_and_never_leaves_its_range(method):
    guess = METHODS[method].guess_probability
    p = np.concatenate([np.linspace(guess, 1.0, 50_001), 1.0 - np.geomspace(1e-3, 2e-16, 2000)])
    found = d_prime(method, np.sort(p))
    assert np.all(np.diff(found[:-1]) >= 0.0)
    assert np.isfinite(found[np.sort(p) < 1.0]).all()


@pytest.mark.parametrize("method", METHODS)
def test_floor_and_ceiling(method):
    guess = METHODS[method].guess_probability
    assert d_prime(method, guess) == 0.0
    assert d_prime(method, 0.1) == 0.0
    assert d_prime(method, 1.0) == math.inf
    assert proportion_correct(method, math.inf) == 1.0
    assert proportion_correct(method, 0.0) == pytest.approx(guess, abs=1e-15)


@pytest.mark.parametrize("method", METHODS)
def test_a_named_direction_keeps_the_sign_and_the_others_lose_it(method):
    mirrored = proportion_correct(method, -1.2)
    if METHODS[method].even:
        assert mirrored == pytest.approx(proportion_correct(method, 1.2), abs=1e-15)
    else:
        assert mirrored < METHODS[method].guess_probability


@pytest.mark.parametrize("method", METHODS)
def test_the_wrong_share_keeps_its_digits_far_out(method):
    d = np.array([9.0, 12.0, 15.0])
    wrong = proportion_wrong(method, d)
    assert np.all(wrong > 0.0)
    assert np.all(np.diff(np.log(wrong)) < -1.0)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(sorted(METHODS)), st.floats(0.0, 12.0))
def test_scalars_and_columns_agree(method, d):
    assert proportion_correct(method, np.array([d]))[0] == proportion_correct(method, d)
    p = proportion_correct(method, d)
    assert isinstance(p, float)
    assert isinstance(d_prime(method, p), float)
    assert d_prime(method, np.array([0.2, p]))[1] == d_prime(method, p)


@pytest.mark.parametrize(
    ("call", "field", "index"),
    [
        (lambda: proportion_correct("square", 1.0), "method", None),
        (lambda: d_prime("square", 0.5), "method", None),
        (lambda: d_prime("triangle", 1.01), "proportion_correct", None),
        (lambda: d_prime("triangle", np.array([0.5, math.nan])), "proportion_correct", 1),
        (lambda: proportion_correct("tetrad", math.nan), "d_prime", None),
        (lambda: proportion_correct("tetrad", np.array([0.0, 1.0, math.nan])), "d_prime", 2),
    ],
)
def test_what_is_refused(call, field, index):
    with pytest.raises(InputError) as refusal:
        call()
    assert (refusal.value.field, refusal.value.index) == (field, index)
