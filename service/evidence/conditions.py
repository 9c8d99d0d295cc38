"""The rows by what their conditions say: an association between households, never an experiment."""

from collections import Counter
from itertools import islice

import numpy as np

from service.evidence.compared import Compared
from service.record.words import distinct, is_among, occurring

_MOST = 12
_FEWEST_HOUSEHOLDS = 3


def by_condition(rows: Compared) -> list[tuple[str, str, Compared]]:
    """Group by each condition that varies, where each value has three households or more."""
    words, codes = rows.words("moderators")
    groups: dict[tuple[str, str], list[int]] = {}
    for code in occurring(codes):
        for key, value in words.meanings[code].items():
            groups.setdefault((key, said(value)), []).append(code)
    values_of = Counter(key for key, _ in groups)
    households = rows.household
    varying = (
        (key, value, is_among(codes, np.array(those)))
        for (key, value), those in sorted(groups.items())
        if values_of[key] > 1
    )
    listed = (each for each in varying if distinct(households[each[2]]) >= _FEWEST_HOUSEHOLDS)
    return [(key, value, rows.where(kept)) for key, value, kept in islice(listed, _MOST)]


def said(value: object) -> str:
    """Write a condition's value; text is compared without case."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip().lower()
