from collections.abc import Mapping

import numpy as np
import pytest

from service.science import trial_columns
from service.science.discrimination import significance, similarity
from service.science.preference import preference


def test_repeated_rows_are_found_once_and_given_back_in_place():
    n = np.array([12.0, 10.0, 12.0, 12.0, 10.0, 12.0, 12.0])
    x = np.array([8.0, 8.0, 8.0, 7.0, 8.0, 8.0, 7.0])
    (some_n, some_x), in_each_row = trial_columns.distinct_rows(n, x)
    assert sorted(zip(some_n.tolist(), some_x.tolist(), strict=True)) == [(10, 8), (12, 7), (12, 8)]
    assert in_each_row(some_n).tolist() == n.tolist()
    assert in_each_row(some_x).tolist() == x.tolist()


@pytest.mark.parametrize("columns", [(np.array([3.0, 1.0, 2.0, 2.0]),), (np.asarray(3.0), np.asarray(1.0))])
def test_what_hardly_repeats_comes_back_as_it_is(columns):
    found, in_each_row = trial_columns.distinct_rows(*columns)
    assert all(one is other for one, other in zip(found, columns, strict=True))
    assert in_each_row(found[0]) is columns[0]


def leaves(result):
    if isinstance(result, Mapping):
        parts = list(result.values())
    elif names := getattr(result, "__dataclass_fields__", None):
        parts = [getattr(result, name) for name in names]
    else:
        return [result]
    return [leaf for part in parts for leaf in leaves(part)]


@pytest.mark.parametrize(
    "calculate",
    [
        lambda n, x, level: significance("triangle", n, x, level),
        lambda n, x, level: similarity("tetrad", n, x, n, confidence=level),
        lambda n, x, level: preference(n, x, 0, level),
    ],
)
def test_a_long_column_of_few_counts_is_what_each_row_gives(calculate):
    generator = np.random.default_rng(20261125)
    n = generator.integers(8, 14, 500)
    x = generator.binomial(n, 0.6)
    level = generator.choice([0.9, 0.95], 500)
    column = leaves(calculate(n, x, level))
    for row in range(0, 500, 7):
        single = leaves(calculate(int(n[row]), int(x[row]), float(level[row])))
        for many, one in zip(column, single, strict=True):
            found = many[row] if isinstance(many, np.ndarray) else many
            assert found == (pytest.approx(one, rel=1e-14) if isinstance(one, float) else one)
