"""Whether a difference is big enough to matter, decided by an any-time interval alone."""

from typing import Literal

import numpy as np
import numpy.typing as npt

from service.science.errors import InputError
from service.science.pooling.results import AnyRange

FloatArray = npt.NDArray[np.float64]

Verdict = Literal["bigger_than_matters", "practically_the_same", "real_but_may_be_too_small", "cannot_tell_yet"]


def verdict(smallest_that_matters: float, interval: AnyRange) -> Verdict:
    """Compare an any-time interval with the smallest difference that matters.

    Parameters
    ----------
    smallest_that_matters : float
        Chosen before the data, above 0, in the interval's unit; for blind trials a proportion discriminating.
    interval : object with `low` and `high`
        The any-time interval of a mean difference, or of a mean proportion discriminating that was not floored at 0;
        None on either side decides nothing.

    Returns
    -------
    str
        `bigger_than_matters` where the interval lies wholly beyond it, `practically_the_same` wholly inside,
        `real_but_may_be_too_small` wholly on one side of 0 but across it, else `cannot_tell_yet`.

    Raises
    ------
    InputError
        Where the smallest difference that matters is not above 0.

    """
    size = smallest_that_matters
    if not 0.0 < size < float("inf"):
        raise InputError("smallest_that_matters", "must be a finite number above 0: choose it before the data")
    low, high = interval.low, interval.high
    if low is None or high is None:
        return "cannot_tell_yet"
    if low > size or high < -size:
        return "bigger_than_matters"
    if -size < low and high < size:
        return "practically_the_same"
    if low > 0.0 or high < 0.0:
        return "real_but_may_be_too_small"
    return "cannot_tell_yet"


def verdicts_of(low: FloatArray, high: FloatArray, smallest_that_matters: float) -> set[Verdict]:
    """Find every verdict that some intervals give; one without a limit decides nothing.

    Parameters
    ----------
    low, high : array
        Limits, infinite where there is none.
    smallest_that_matters : float
        As in `verdict`.

    """
    size = smallest_that_matters
    bigger = (low > size) | (high < -size)
    same = (low > -size) & (high < size)
    real = ((low > 0.0) | (high < 0.0)) & ~bigger & ~same
    bounded = np.isfinite(low) & np.isfinite(high)
    names: tuple[tuple[npt.NDArray[np.bool_], Verdict], ...] = (
        (bounded & bigger, "bigger_than_matters"),
        (bounded & same & ~bigger, "practically_the_same"),
        (bounded & real, "real_but_may_be_too_small"),
        (~bounded | ~(bigger | same | real), "cannot_tell_yet"),
    )
    return {name for holds, name in names if holds.any()}
