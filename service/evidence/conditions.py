"""The rows by what their conditions say: an association between households, never an experiment."""

from collections import Counter
from itertools import islice

import numpy as np

from service.evidence.compared import Compared
from service.record.words import BoolArray, Codes, distinct, is_among, occurring

_MOST = 12
_FEWEST_HOUSEHOLDS = 3


def by_condition(rows: Compared) -> list[tuple[str, str, BoolArray]]:
    """Say which rows each condition that varies says one thing of, where these are of three households or more."""
    words, codes = rows.words("moderators")
    groups: dict[tuple[str, str], list[int]] = {}
    for code in occurring(codes):
        for key, value in words.meanings[code].items():
            groups.setdefault((key, said(value)), []).append(code)
    values_of = Counter(key for key, _ in groups)
    varying = (
        (key, value, is_among(codes, np.array(those)))
        for (key, value), those in sorted(groups.items())
        if values_of[key] > 1
    )
    return list(islice((each for each in varying if _are_enough(rows.household[each[2]])), _MOST))


def _are_enough(households: Codes) -> bool:
    """Say whether rows are of enough households; the first ones nearly always say so."""
    return any(distinct(some) >= _FEWEST_HOUSEHOLDS for some in (households[:_FEWEST_HOUSEHOLDS], households))


def said(value: object) -> str:
    """Write a condition's value; text is compared without case."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip().lower()
