"""The rows by what their conditions say: an association between households, never an experiment."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from service.evidence.compared import Compared
from service.record.rows import RecordedObservation

_MOST = 12
_FEWEST_HOUSEHOLDS = 3


def by_condition(rows: Sequence[RecordedObservation]) -> list[tuple[str, str, list[RecordedObservation]]]:
    """Group by each condition that varies, where each value has three households or more."""
    groups: dict[tuple[str, str], list[RecordedObservation]] = {}
    for row in rows:
        for key, value in row.moderators.items():
            groups.setdefault((key, said(value)), []).append(row)
    values_of = Counter(key for key, _ in groups)
    listed = [
        (key, value, kept)
        for (key, value), kept in sorted(groups.items())
        if values_of[key] > 1 and len({row.household_id for row in kept}) >= _FEWEST_HOUSEHOLDS
    ]
    return listed[:_MOST]


def households_by_conditions(rows: Compared) -> Iterator[tuple[Mapping[str, Any], list[int]]]:
    """Give each different set of conditions with the codes of the households that reported it."""
    words, codes = rows.words("moderators")
    households = rows.household
    order = np.argsort(codes, kind="stable")
    for group in np.split(order, np.flatnonzero(np.diff(codes[order])) + 1) if len(order) else ():
        yield words.meanings[codes[group[0]]], np.unique(households[group]).tolist()


def said(value: object) -> str:
    """Write a condition's value; text is compared without case."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip().lower()
