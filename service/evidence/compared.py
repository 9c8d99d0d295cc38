"""Observations on one comparison: each seen from its side, as a row, and each field of all of them as a column."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal, overload

import numpy as np
import numpy.typing as npt

from service.evidence.comparison import Arms, told_from, turned
from service.record.observation_columns import FloatArray, Observations
from service.record.rows import RecordedObservation
from service.record.words import BoolArray, Codes, IntArray, Words, numbered

WITHDRAWAL_ASKED = "withdrawal_asked"
"""Marks a result that its owner would take back; it stays until a steward decides."""
_EVENTS = {"control_event": "treatment_event", "treatment_event": "control_event"}


@dataclass(frozen=True, slots=True)
class ByHousehold:
    """Each row's household, numbered from 0 in order of first appearance, and the row at which each first appears."""

    number: IntArray
    first: IntArray

    @property
    def once_each(self) -> bool:
        """Whether no household has more than one row."""
        return len(self.first) == len(self.number)


class Compared(Sequence[RecordedObservation]):
    """Observations on one comparison, in order of receipt. Columns are kept once they were asked for.

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
        self.observations = observations
        self.is_turned = is_turned
        self.is_asked_back = is_asked_back
        self._rows: list[RecordedObservation] | None = None
        self._numbers: dict[str, npt.NDArray[Any]] = {}
        self._codes: dict[str, Codes] = {}

    def __len__(self) -> int:
        return len(self.observations)

    @overload
    def __getitem__(self, index: int) -> RecordedObservation: ...

    @overload
    def __getitem__(self, index: slice) -> list[RecordedObservation]: ...

    def __getitem__(self, index: int | slice) -> RecordedObservation | list[RecordedObservation]:
        if self._rows is not None:
            return self._rows[index]
        if isinstance(index, slice):
            return list(self._seen(self.observations[index], index))
        return next(self._seen([self.observations[index]], slice(index, index + 1 or None)))

    def __iter__(self) -> Iterator[RecordedObservation]:
        if self._rows is None:
            self._rows = list(self._seen(self.observations, slice(None)))
        return iter(self._rows)

    def _seen(self, rows: Sequence[RecordedObservation], which: slice) -> Iterator[RecordedObservation]:
        for row, is_turned, asked in zip(
            rows, self.is_turned[which].tolist(), self.is_asked_back[which].tolist(), strict=True
        ):
            seen = turned(row) if is_turned else row
            yield replace(seen, flags=(*seen.flags, WITHDRAWAL_ASKED)) if asked else seen

    def where(self, mask: BoolArray) -> "Compared":
        """Keep those for which a mask holds."""
        if mask.all():
            return self
        rows = np.flatnonzero(mask)
        return Compared(self.observations.take(rows), self.is_turned[rows], self.is_asked_back[rows])

    def with_(self, other: "Compared") -> "Compared":
        """Put these and others of the same comparison together, in order of receipt."""
        order = np.argsort(np.concatenate([self.observations.places, other.observations.places]), kind="stable")
        return Compared(
            self.observations.with_(other.observations, order),
            np.concatenate([self.is_turned, other.is_turned])[order],
            np.concatenate([self.is_asked_back, other.is_asked_back])[order],
        )

    @property
    def which(self) -> bytes:
        """A mark of the rows that are here: two choices of the same rows have the same."""
        return self.observations.places.tobytes()

    @property
    def inside_the_test(self) -> "Compared":
        """Those that the test may count."""
        return self.where(self.says("outside_the_test", None))

    def names(self, field: Literal["replication", "household"]) -> list[str]:
        """Return each row's replication or household by its identifier."""
        return self.observations.names(field)

    def says(self, field: str, word: str | None) -> BoolArray:
        """Say where a field (`outcome`, `method`, `outside_the_test`) is one word."""
        words, codes = self.words(field)
        return np.asarray(codes == words.place(word))

    def words(self, field: str) -> tuple[Words, Codes]:
        """Return the different values of a field (as above, `flags` or `moderators`), and which one each row has."""
        if field not in self._codes:
            self._codes[field] = self.observations.codes(field)
        return self.observations.words(field), self._codes[field]

    def number(self, field: str) -> npt.NDArray[Any]:
        """Return a field of numbers; what is missing is NaN in `difference` and `variance`, -1 elsewhere."""
        if field not in self._numbers:
            self._numbers[field] = self._number(field)
        return self._numbers[field]

    def _number(self, field: str) -> npt.NDArray[Any]:
        found = self.observations.number(field)
        if field == "difference":
            return np.where(self.is_turned, -found, found)
        if field in _EVENTS:
            return np.where(self.is_turned, self.observations.number(_EVENTS[field]), found)
        return found

    def told_number(self, name: str) -> FloatArray:
        """Return a number out of each row's details, NaN where there is none."""
        values = self.observations.told_number(name)
        other = told_from(name)
        return values if other == name else np.where(self.is_turned, self.observations.told_number(other), values)

    @cached_property
    def household(self) -> Codes:
        """A code for each row's household."""
        return self.observations.household

    @cached_property
    def by_household(self) -> ByHousehold:
        """The rows' households, numbered."""
        household = self.household
        if np.all(household[1:] > household[:-1]):
            row = np.arange(len(household))
            return ByHousehold(row, row)
        return ByHousehold(*numbered(household))

    @cached_property
    def replication(self) -> Codes:
        """A code for each row's replication."""
        return self.observations.start

    def let_go(self) -> None:
        """Keep columns no longer that were asked for: who asks again has them made again."""
        self._numbers.clear()
        self._codes.clear()
        for kept in ("household", "by_household", "replication"):
            self.__dict__.pop(kept, None)

    @property
    def retracted(self) -> BoolArray:
        """Which had been retracted, and could be put back."""
        return self.observations.retracted

    @property
    def vouched(self) -> BoolArray:
        """Which come from contributors whom a steward vouches for."""
        return self.observations.vouched


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
    chosen = observations if kept.all() else observations.where(kept)
    is_turned = chosen.says("control", arms[1]) & chosen.says("treatment", arms[0]) & ~chosen.number("sham")
    return Compared(chosen, is_turned, is_asked_back[chosen.start])


def is_about(observations: Observations, arms: Arms) -> BoolArray:
    """Say which observations are on two arms, whichever way round, or shams of either."""
    one, other = arms
    controls, treatments = observations.words("control"), observations.words("treatment")
    control, treatment = observations.codes("control"), observations.codes("treatment")
    is_one, is_other = control == controls.place(one), control == controls.place(other)
    pair = (is_one & (treatment == treatments.place(other))) | (is_other & (treatment == treatments.place(one)))
    found: BoolArray = np.where(observations.number("sham"), is_one | is_other, pair)
    return found


def outside_the_test(rows: Compared) -> dict[str, int]:
    """Count the rows that stand outside the test by the reason, in order of first appearance."""
    said, codes = rows.words("outside_the_test")
    outside = codes[~rows.says("outside_the_test", None)]
    times = np.bincount(outside)
    return {str(said.meanings[code]): int(times[code]) for code in dict.fromkeys(outside.tolist())}
