import math

import numpy as np
import pytest

from service.science.uncertainty import Source, standard_uncertainty


def product(a, b):
    return a * b


def test_a_product_by_the_textbook():
    # JCGM 100:2008, 5.1.2: for y = a b, u(y)^2 = b^2 u(a)^2 + a^2 u(b)^2.
    ours = standard_uncertainty(product, (2.0, 5.0), (Source(0, 0.1), Source(1, 0.2)), 0.3)
    assert ours == pytest.approx(math.sqrt((5 * 0.1) ** 2 + (2 * 0.2) ** 2 + 0.3**2))


def test_at_the_end_of_a_range_the_slope_is_taken_from_inside():
    def root_of_rest(x):
        return math.sqrt(1.0 - x)

    ours = standard_uncertainty(root_of_rest, (1.0,), (Source(0, 0.01, high=1.0),))
    assert ours == pytest.approx(root_of_rest(0.99))
    assert standard_uncertainty(product, (2.0, 5.0), (Source(0, 0.0),)) == 0.0


def test_rows_give_what_numbers_give():
    rows = standard_uncertainty(product, (np.array([2.0, 3.0]), 5.0), (Source(0, 0.1), Source(1, np.array([0.2, 0.0]))))
    one = [standard_uncertainty(product, (a, 5.0), (Source(0, 0.1), Source(1, b))) for a, b in ((2.0, 0.2), (3.0, 0.0))]
    assert rows.tolist() == pytest.approx(one)
