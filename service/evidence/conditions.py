"""The rows by what their conditions say: an association between households, never an experiment."""

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Any

import numpy as np

from service.evidence.compared import Compared
from service.record.words import distinct

_MOST = 12
_FEWEST_HOUSEHOLDS = 3


def by_condition(rows: Compared) -> list[tuple[str, str, Compared]]:
    """Group by each condition that varies, where each value has three households or more."""
    words, codes = rows.words("moderators")
    groups: dict[tuple[str, str], list[int]] = {}
    for code in np.unique(codes).tolist():
        for key, value in words.meanings[code].items():
            groups.setdefault((key, said(value)), []).append(code)
    values_of = Counter(key for key, _ in groups)
    varying = ((key, value, rows.where(np.isin(codes, those))) for (key, value), those in sorted(groups.items()))
    listed = (each for each in varying if values_of[each[0]] > 1)
    return list(islice((each for each in listed if distinct(each[2].household) >= _FEWEST_HOUSEHOLDS), _MOST))


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
