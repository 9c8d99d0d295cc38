"""Merge the rows of each household, keeping the order in which they came."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.discrimination import METHODS
from service.science.errors import InputError
from service.science.pooling.collapse import grouped
from service.science.pooling.trial_results import TrialStudy
from service.science.trial_columns import MOST_PRESENTED

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rows:
    """Trials as columns, in order of receipt; `household` counts households from 0 in order of first appearance.

    `names` and `labels` are the households' own and those of their first rows, `row_labels` every row's; they are empty
    where none is to be shown.
    """

    correct: IntArray
    presented: IntArray
    kind: IntArray
    guess: FloatArray
    household: IntArray
    households: int
    methods: tuple[str, ...]
    names: tuple[str, ...]
    labels: tuple[str, ...]
    row_labels: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Units:
    """One count for each household and method, households in order of first appearance."""

    correct: IntArray
    presented: IntArray
    kind: IntArray
    guess: FloatArray
    household: IntArray


def rows_of(studies: Sequence[TrialStudy]) -> Rows:
    """Check studies and lay them out as columns.

    Parameters
    ----------
    studies : sequence of TrialStudy
        In order of receipt.

    Raises
    ------
    InputError
        At the first study with an unknown method or counts that are not whole or do not agree.

    """
    methods = tuple(dict.fromkeys(study.method for study in studies))
    for i, study in enumerate(studies):
        if study.method not in METHODS:
            raise InputError("method", f"must be one of {', '.join(METHODS)}", i)
        if not _whole(study.presented, 1):
            raise InputError("presented", f"must be a whole number from 1 to {MOST_PRESENTED}", i)
        if not _whole(study.correct, 0) or study.correct > study.presented:
            raise InputError("correct", "must be a whole number from 0 to the number presented", i)
    place = {method: i for i, method in enumerate(methods)}
    kind = np.array([place[study.method] for study in studies], dtype=np.int64)
    household, first = number_households([study.household for study in studies])
    names = tuple(studies[i].household or studies[i].label for i in first)
    rates = np.array([METHODS[method].guess_probability for method in methods], dtype=np.float64)
    return Rows(
        correct=np.array([study.correct for study in studies], dtype=np.int64),
        presented=np.array([study.presented for study in studies], dtype=np.int64),
        kind=kind,
        guess=rates[kind] if len(kind) else np.zeros(0),
        household=household,
        households=len(first),
        methods=methods,
        names=names,
        labels=tuple(studies[i].label for i in first),
        row_labels=[study.label for study in studies],
    )


def _whole(value: object, lowest: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and lowest <= value <= MOST_PRESENTED


def number_households(names: Sequence[str | None]) -> tuple[IntArray, list[int]]:
    """Number households from 0 in order of first appearance.

    Parameters
    ----------
    names : sequence of str or None
        Who sent each row; None is a household of its own.

    Returns
    -------
    tuple
        Each row's number, and the row at which each household first appears.

    """
    seen: dict[str, int] = {}
    first: list[int] = []
    number = np.empty(len(names), dtype=np.int64)
    for i, name in enumerate(names):
        known = seen.get(name) if name is not None else None
        if known is None:
            known = len(first)
            first.append(i)
            if name is not None:
                seen[name] = known
        number[i] = known
    return number, first


def units_of(rows: Rows) -> Units:
    """Merge a household's rows of one method."""
    if rows.households == len(rows.household):
        return Units(rows.correct, rows.presented, rows.kind, rows.guess, rows.household)
    width = max(len(rows.methods), 1)
    found = grouped(rows.household * width + rows.kind)
    household, kind = np.divmod(found.keys, width)
    return Units(
        correct=np.bincount(found.place, rows.correct, len(found.keys)).astype(np.int64),
        presented=np.bincount(found.place, rows.presented, len(found.keys)).astype(np.int64),
        kind=kind,
        guess=rows.guess[found.first],
        household=household,
    )
