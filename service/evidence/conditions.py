"""The rows by what their conditions say: an association between households, never an experiment."""

from collections import Counter
from collections.abc import Sequence

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


def said(value: object) -> str:
    """Write a condition's value; text is compared without case."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip().lower()
