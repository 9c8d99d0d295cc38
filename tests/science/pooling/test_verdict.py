import numpy as np
import pytest

from service.science.errors import InputError
from service.science.pooling.results import Range
from service.science.pooling.verdict import verdict, verdicts_of


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.31, 0.5, "bigger_than_matters"),
        (-0.5, -0.31, "bigger_than_matters"),
        (-0.29, 0.29, "practically_the_same"),
        (0.05, 0.29, "practically_the_same"),
        (0.05, 0.4, "real_but_may_be_too_small"),
        (-0.4, -0.05, "real_but_may_be_too_small"),
        (-0.1, 0.4, "cannot_tell_yet"),
        (-0.5, 0.5, "cannot_tell_yet"),
        (0.0, 0.5, "cannot_tell_yet"),
        (None, None, "cannot_tell_yet"),
    ],
)
def test_an_interval_is_compared_with_what_matters(low, high, expected):
    assert verdict(0.3, Range(low, high)) == expected


def test_many_intervals_give_what_each_gives():
    ends = [-0.5, -0.31, -0.3, -0.1, 0.0, 0.1, 0.3, 0.31, 0.5]
    for low in ends:
        for high in (each for each in ends if each >= low):
            assert verdicts_of(np.array([low]), np.array([high]), 0.3) == {verdict(0.3, Range(low, high))}
    assert verdicts_of(np.array([0.4, -np.inf]), np.array([0.5, np.inf]), 0.3) == {
        "bigger_than_matters",
        "cannot_tell_yet",
    }
    assert verdicts_of(np.zeros(0), np.zeros(0), 0.3) == set()


@pytest.mark.parametrize("size", [0.0, -1.0, float("nan"), float("inf")])
def test_a_size_that_cannot_matter_is_refused(size):
    with pytest.raises(InputError):
        verdict(size, Range(0.1, 0.2))
