"""The rows by what their conditions say: an association between households, never an experiment."""

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Any

import numpy as np

from service.evidence.compared import Compared
from service.record.words import BoolArray, Codes, Words, distinct, occurring

_MOST = 12
_FEWEST_HOUSEHOLDS = 3
_NEARLY_ALWAYS = 500


def by_condition(rows: Compared) -> list[tuple[str, str, BoolArray]]:
    """Say which rows each condition that varies says one thing of, where these are of three households or more."""
    households = rows.household
    enough = (each for each in _varying(rows) if _are_enough(households, each[2]))
    return list(islice(enough, _MOST))


def _varying(rows: Compared) -> Iterator[tuple[str, str, BoolArray]]:
    words, codes = rows.words("moderators")
    groups: dict[str, dict[str, list[int]]] = {}
    for code, moderators in different(words, codes):
        for key, value in moderators.items():
            groups.setdefault(key, {}).setdefault(said(value), []).append(code)
    for key, values in sorted(groups.items()):
        if len(values) == 1:
            continue
        listed = sorted(values.items())
        place = np.full(len(words.meanings), -1, dtype=np.int32)
        for number, (_, those) in enumerate(listed):
            place[those] = number
        here = place[codes]
        for number, (value, _) in enumerate(listed):
            yield key, value, here == number


def different(moderators: Words, codes: Codes) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """Give the different conditions that rows were held under, each with its code."""
    found = np.array(occurring(codes), dtype=np.int32)
    return zip(found.tolist(), moderators.said(found), strict=True)


def _are_enough(households: Codes, chosen: BoolArray) -> bool:
    """Say whether the chosen rows are of enough households; the first rows nearly always say so."""
    return any(
        distinct(households[:end][chosen[:end]]) >= _FEWEST_HOUSEHOLDS for end in (_NEARLY_ALWAYS, len(households))
    )


def said(value: object) -> str:
    """Write a condition's value; text is compared without case."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip().lower()
