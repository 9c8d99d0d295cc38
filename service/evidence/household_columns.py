"""Rows of one comparison as the science pools them: households numbered, and merged, in order of receipt."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from service.evidence.blocks import LONGEST_LIST
from service.evidence.compared import ByHousehold, Compared
from service.record.words import BoolArray, Codes, IntArray, numbered
from service.science.discrimination import METHODS
from service.science.pooling.household_counts import Rows

FloatArray = npt.NDArray[np.float64]


def means(households: Codes, values: FloatArray) -> FloatArray:
    """Average each household's values, households in order of first appearance."""
    number, first = numbered(households)
    # About each household's first value, so that equal values average to themselves.
    base = values[first]
    times = np.bincount(number, minlength=len(first))
    return np.asarray(base + np.bincount(number, values - base[number], len(first)) / np.maximum(times, 1))


class Averaged:
    """Differences averaged by household, for one choice of rows after another."""

    def __init__(self, rows: Compared) -> None:
        self._value = rows.number("difference")
        self._households = rows.by_household
        if not self._households.once_each:
            self._base = self._value[self._households.first]
            self._gap = self._value - self._base[self._households.number]

    def of(self, kept: BoolArray) -> FloatArray:
        """Average the chosen rows of each household that has some, households in order of first appearance."""
        row = np.flatnonzero(kept)
        if self._households.once_each:
            return np.asarray(self._value[row])
        number = self._households.number[row]
        times = np.bincount(number, minlength=len(self._base))
        there = np.flatnonzero(times)
        total = np.bincount(number, self._gap[row], len(self._base))
        return np.asarray(self._base[there] + total[there] / times[there])


def sums(households: Codes, values: FloatArray) -> FloatArray:
    """Add up each household's values, households in order of first appearance."""
    number, first = numbered(households)
    return np.bincount(number, values, len(first)).astype(np.float64)


def trial_rows(rows: Compared) -> Rows:
    """Lay out blind trials for the science, without anybody's name."""
    said, codes = rows.words("method")
    kind, first = numbered(codes)
    methods = said.said(codes[first])
    return rows_from(methods, kind, rows.number("presented"), rows.number("correct"), rows.by_household)


def chosen_rows(rows: Rows, kept: BoolArray) -> Rows:
    """Choose some of the rows that are laid out; households keep their numbers."""
    row = np.flatnonzero(kept)
    once_each = rows.households == len(rows.household)
    kind, methods, household = rows.kind[row], rows.methods, rows.household[row]
    if len(methods) > 1:
        before = kind
        kind, met = numbered(before)
        methods = tuple(methods[each] for each in before[met].tolist())
    return Rows(
        correct=rows.correct[row],
        presented=rows.presented[row],
        kind=kind,
        guess=rows.guess[row],
        household=household,
        households=len(row) if once_each else int(np.count_nonzero(np.bincount(household))),
        methods=methods,
        names=(),
        labels=(),
    )


def named_trial_rows(rows: Compared) -> Rows:
    """Lay out blind trials for the science, with the names of those that are listed."""
    heads = households_listed(rows)
    return replace(
        trial_rows(rows),
        names=tuple(heads.names("household")),
        labels=tuple(heads.names("replication")),
        row_labels=rows.where(np.arange(len(rows)) < LONGEST_LIST).names("replication"),
    )


def households_listed(rows: Compared) -> Compared:
    """Choose the first row of each household, as many as are listed."""
    chosen = np.zeros(len(rows), dtype=np.bool_)
    chosen[rows.by_household.first[:LONGEST_LIST]] = True
    return rows.where(chosen)


def rows_from(
    methods: Sequence[str],
    kind: IntArray,
    presented: npt.NDArray[np.int32],
    correct: npt.NDArray[np.int32],
    households: ByHousehold,
) -> Rows:
    """Lay out counts for the science; `kind` are places in `methods`."""
    rates = np.array([METHODS[each].guess_probability for each in methods], dtype=np.float64)
    return Rows(
        correct=correct.astype(np.int64),
        presented=presented.astype(np.int64),
        kind=kind,
        guess=rates[kind] if len(kind) else np.zeros(0),
        household=households.number,
        households=len(households.first),
        methods=tuple(methods),
        names=(),
        labels=(),
    )
