"""Merge the differences of each household into one number, keeping the order in which they came."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.science.errors import InputError
from service.science.pooling.difference_results import DifferenceStudy
from service.science.pooling.household_counts import number_households

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_LARGEST = 1e150


@dataclass(frozen=True, slots=True)
class HouseholdValues:
    """One number for each household, in order of first appearance.

    `error` is the standard error of the household's mean from reading alone, and `row_errors` the least and the largest
    of a row; both are None where a row came without one. `moderator` holds NaN where a household gave none, and `group`
    None.
    """

    value: FloatArray
    error: FloatArray | None
    moderator: FloatArray | None
    group: tuple[str | None, ...] | None
    labels: tuple[str, ...]
    rows: int
    reading_sd: float | None
    row_errors: tuple[float, float] | None = None


def household_values(studies: Sequence[DifferenceStudy]) -> HouseholdValues:
    """Average each household's differences.

    Parameters
    ----------
    studies : sequence of DifferenceStudy
        In order of receipt.

    Raises
    ------
    InputError
        At the first row with a difference that is not finite, a standard error that is negative or not finite, a
        moderator that is not finite, or a group unlike that of the household's earlier rows.

    """
    difference = _column("difference", [study.difference for study in studies], -_LARGEST, "treatment less control")
    errors = [study.standard_error for study in studies]
    _column("standard_error", [0.0 if error is None else error for error in errors], 0.0, "of the reading; 0 or more")
    moderators = [study.moderator for study in studies]
    household, first = number_households([study.household for study in studies])
    k = len(first)
    return replace(
        values_of(
            difference,
            np.array([np.nan if error is None else error for error in errors], dtype=np.float64),
            household,
            np.array(first, dtype=np.int64),
            tuple(studies[i].household or studies[i].label for i in first),
        ),
        moderator=_moderator(moderators, household, k),
        group=_group(studies, household, k),
    )


def values_of(
    difference: FloatArray, standard_error: FloatArray, household: IntArray, first: IntArray, labels: Sequence[str]
) -> HouseholdValues:
    """Average each household's differences from columns that are known to be good.

    Parameters
    ----------
    difference : array
        One for each row, in order of receipt.
    standard_error : array
        Of each row's reading; NaN where there is none.
    household : array of int
        Each row's household, numbered from 0 in order of first appearance.
    first : array of int
        The row at which each household first appears.
    labels : sequence of str
        One for each household, or for the first ones if only those are to be shown.

    """
    k = len(first)
    missing = np.isnan(standard_error)
    given = standard_error[~missing] if missing.any() else standard_error
    value, error = difference, None
    if len(difference) and len(given) == len(difference):
        error = given
    if k < len(difference):
        times = np.bincount(household, minlength=k).astype(np.float64)
        value = _means(household, difference, times, first)
        error = None if error is None else _errors(household, error, times)
    return HouseholdValues(
        value=value,
        error=error,
        moderator=None,
        group=None,
        labels=tuple(labels),
        rows=len(difference),
        reading_sd=_root_mean_square(given) if len(given) else None,
        row_errors=None if error is None else (float(given.min()), float(given.max())),
    )


def _errors(household: IntArray, error: FloatArray, times: FloatArray) -> FloatArray:
    """Give the standard errors of households' means from those of their rows."""
    largest = np.zeros(len(times))
    np.maximum.at(largest, household, error)
    # Relative to the household's own largest, so that no square underflows.
    relative = error / np.where(largest > 0.0, largest, 1.0)[household]
    return np.asarray(largest * np.sqrt(np.bincount(household, relative**2, len(times))) / times)


def _means(household: IntArray, y: FloatArray, times: FloatArray, first: IntArray) -> FloatArray:
    """Average about each household's first row, so that equal rows average to themselves."""
    base = y[first]
    return np.asarray(base + np.bincount(household, y - base[household], len(first)) / np.maximum(times, 1.0))


def _root_mean_square(values: FloatArray) -> float:
    scale = float(values.max(initial=0.0))
    return scale * math.sqrt(float(np.mean((values / scale) ** 2))) if scale > 0.0 else 0.0


def _column(field: str, values: list[float], lowest: float, what: str) -> FloatArray:
    column = np.array(values, dtype=np.float64)
    good = (column >= lowest) & (column <= _LARGEST)
    if not good.all():
        raise InputError(field, f"must be a finite number: {what}", int(np.argmin(good)))
    return column


def _moderator(moderators: list[float | None], household: IntArray, k: int) -> FloatArray | None:
    given = np.array([value is not None for value in moderators], dtype=bool)
    if not given.any():
        return None
    values = _column("moderator", [0.0 if value is None else value for value in moderators], -_LARGEST, "a condition")
    times = np.bincount(household[given], minlength=k)
    total = np.bincount(household[given], values[given], k)
    return np.where(times > 0, total / np.maximum(times, 1), np.nan)


def _group(studies: Sequence[DifferenceStudy], household: IntArray, k: int) -> tuple[str | None, ...] | None:
    groups: list[str | None] = [None] * k
    for i, study in enumerate(studies):
        if study.group is None:
            continue
        known = groups[household[i]]
        if known is not None and known != study.group:
            raise InputError("group", "must be the same in all rows of a household; give each household one group", i)
        groups[household[i]] = study.group
    return tuple(groups) if any(group is not None for group in groups) else None
