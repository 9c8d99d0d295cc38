"""Rows of one comparison as the science pools them: households numbered, and merged, in order of receipt."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from service.evidence.blocks import LONGEST_LIST
from service.evidence.compared import Compared
from service.record.words import Codes, numbered
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


def sums(households: Codes, values: FloatArray) -> FloatArray:
    """Add up each household's values, households in order of first appearance."""
    number, first = numbered(households)
    return np.bincount(number, values, len(first)).astype(np.float64)


def trial_rows(rows: Compared) -> Rows:
    """Lay out blind trials for the science, without anybody's name."""
    said, codes = rows.words("method")
    return rows_from(
        [str(each) for each in said.meanings], codes, rows.number("presented"), rows.number("correct"), rows.household
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
    chosen[numbered(rows.household)[1][:LONGEST_LIST]] = True
    return rows.where(chosen)


def rows_from(
    methods: list[str],
    method: Codes,
    presented: npt.NDArray[np.int32],
    correct: npt.NDArray[np.int32],
    household: Codes,
) -> Rows:
    """Lay out counts for the science; `method` are places in `methods`."""
    kind, met = numbered(method)
    number, first = numbered(household)
    names = tuple(methods[each] for each in method[met].tolist())
    rates = np.array([METHODS[each].guess_probability for each in names], dtype=np.float64)
    return Rows(
        correct=correct.astype(np.int64),
        presented=presented.astype(np.int64),
        kind=kind,
        guess=rates[kind] if len(kind) else np.zeros(0),
        household=number,
        households=len(first),
        methods=names,
        names=(),
        labels=(),
    )
