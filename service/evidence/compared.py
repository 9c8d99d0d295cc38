"""Observations on one comparison: each seen from its side, as a row, and each field of all of them as a column."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from service.evidence.comparison import Arms, told_from, turned
from service.record.observation_columns import FloatArray, Observations
from service.record.rows import RecordedObservation
from service.record.words import BoolArray, Codes, Words

WITHDRAWAL_ASKED = "withdrawal_asked"
"""Marks a result that its owner would take back; it stays until a steward decides."""
_EVENTS = {"control_event": "treatment_event", "treatment_event": "control_event"}


class Compared(Sequence[RecordedObservation]):
    """Observations on one comparison, in order of receipt.

    Parameters
    ----------
    observations : Observations
        As the record holds them.
    is_turned : array of bool
        Which of them compare the arms the other way round.
    is_asked_back : array of bool
        Which of them their owner would take back.

    """

    def __init__(self, observations: Observations, is_turned: BoolArray, is_asked_back: BoolArray) -> None:
        self._observations = observations
        self._turned = is_turned
        self._asked_back = is_asked_back
        self._rows: list[RecordedObservation] | None = None

    def __len__(self) -> int:
        return len(self._observations)

    @overload
    def __getitem__(self, index: int) -> RecordedObservation: ...

    @overload
    def __getitem__(self, index: slice) -> list[RecordedObservation]: ...

    def __getitem__(self, index: int | slice) -> RecordedObservation | list[RecordedObservation]:
        if self._rows is not None:
            return self._rows[index]
        if isinstance(index, slice):
            return list(self._seen(self._observations[index], index))
        return next(self._seen([self._observations[index]], slice(index, index + 1 or None)))

    def __iter__(self) -> Iterator[RecordedObservation]:
        if self._rows is None:
            self._rows = list(self._seen(self._observations, slice(None)))
        return iter(self._rows)

    def _seen(self, rows: Sequence[RecordedObservation], which: slice) -> Iterator[RecordedObservation]:
        for row, is_turned, asked in zip(
            rows, self._turned[which].tolist(), self._asked_back[which].tolist(), strict=True
        ):
            seen = turned(row) if is_turned else row
            yield replace(seen, flags=(*seen.flags, WITHDRAWAL_ASKED)) if asked else seen

    def where(self, mask: BoolArray) -> "Compared":
        """Keep those for which a mask holds."""
        return Compared(self._observations.where(mask), self._turned[mask], self._asked_back[mask])

    def says(self, field: str, word: str | None) -> BoolArray:
        """Say where a field (`outcome`, `method`, `outside_the_test`) is one word."""
        return self._observations.says(field, word)

    def words(self, field: str) -> tuple[Words, Codes]:
        """Return the different values of a field (as above, `flags` or `moderators`), and which one each row has."""
        return self._observations.words(field), self._observations.codes(field)

    def number(self, field: str) -> npt.NDArray[Any]:
        """Return a field of numbers; what is missing is NaN in `difference` and `variance`, -1 elsewhere."""
        if field == "difference":
            values: FloatArray = self._observations.number(field)
            return np.where(self._turned, -values, values)
        if field in _EVENTS:
            return np.where(self._turned, self._observations.number(_EVENTS[field]), self._observations.number(field))
        return self._observations.number(field)

    def told_number(self, name: str) -> FloatArray:
        """Return a number out of each row's details, NaN where there is none."""
        values = self._observations.told_number(name)
        other = told_from(name)
        return values if other == name else np.where(self._turned, self._observations.told_number(other), values)

    @property
    def household(self) -> Codes:
        """A code for each row's household."""
        return self._observations.household

    @property
    def replication(self) -> Codes:
        """A code for each row's replication."""
        return self._observations.start

    @property
    def retracted(self) -> BoolArray:
        """Which had been retracted, and could be put back."""
        return self._observations.retracted

    @property
    def vouched(self) -> BoolArray:
        """Which come from contributors whom a steward vouches for."""
        return self._observations.vouched


def compared(observations: Observations, arms: Arms, is_asked_back: BoolArray) -> Compared:
    """Choose the observations on two arms, whichever way round, and the shams of either arm.

    Parameters
    ----------
    observations : Observations
        Of the question.
    arms : tuple of str
        Keys: control, treatment.
    is_asked_back : array of bool
        For each of the starts that the observations belong to, whether its owner would take it back.

    """
    kept = is_about(observations, arms)
    control, treatment = arms
    other = observations.says("control", treatment) & observations.says("treatment", control)
    is_turned = other & ~observations.number("sham")
    return Compared(observations.where(kept), is_turned[kept], is_asked_back[observations.start[kept]])


def is_about(observations: Observations, arms: Arms) -> BoolArray:
    """Say which observations are on two arms, whichever way round, or shams of either."""
    one, other = arms
    is_one, is_other = observations.says("control", one), observations.says("control", other)
    pair = (is_one & observations.says("treatment", other)) | (is_other & observations.says("treatment", one))
    return np.where(observations.number("sham"), is_one | is_other, pair)
