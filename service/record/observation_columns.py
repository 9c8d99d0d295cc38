"""Observations of a question as columns, valid at every position at once: what had entered and left is a mask."""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, overload
from uuid import UUID

import numpy as np
import numpy.typing as npt
from pydantic_core import from_json
from sqlalchemy import Text, cast, select, type_coerce
from sqlalchemy.orm import Session
from sqlalchemy.types import NullType
from sqlmodel import col

from service.record.room import Room
from service.record.rows import RecordedObservation
from service.record.start_columns import (
    NEVER,
    ROWS_AT_ONCE,
    IntArray,
    Rows,
    StartColumns,
    batched,
    hyphenated,
    in_parts,
    narrowed,
    past_index,
    whole,
)
from service.record.tables import Observation
from service.record.words import BoolArray, Codes, Words, numbered

FloatArray = npt.NDArray[np.float64]

_MISSING = -1
_NUMBERS: Mapping[str, type[np.generic]] = {
    "id": np.int64,
    "entered_position": np.int64,
    "left_position": np.int64,
    "protocol_version": np.int32,
    "presented": np.int32,
    "correct": np.int32,
    "assessors": np.int32,
    "difference": np.float64,
    "variance": np.float64,
    "control_event": np.int8,
    "treatment_event": np.int8,
    "conditions_met": np.int8,
    "sham": np.bool_,
    "sealed": np.bool_,
    "registered": np.bool_,
}
_YES_NO = ("control_event", "treatment_event", "conditions_met")
_COUNTS = ("protocol_version", "presented", "correct", "assessors")
_SURE = ("id", "entered_position", "sham", "sealed", "registered")
_WORDS = ("control", "treatment", "outcome", "method", "outside_the_test", "left_reason")
_PARSED = ("flags", "moderators")
OBSERVATION_COLUMNS = ("replication_id", "details", *_PARSED, *_WORDS, *_NUMBERS)


@dataclass(frozen=True, slots=True)
class ObservationColumns:
    """Observations in order of entry, those that have left among them.

    A number that is missing is NaN where it may be a fraction, else -1; `left_position` is `NEVER` for what has not
    left. `start` is the row of its replication among the starts. Details are words as the database writes them. Whole
    numbers take no more room than they need, and are widened for who sees some of them.
    """

    question_id: UUID
    numbers: Mapping[str, npt.NDArray[Any]]
    words: Mapping[str, Words]
    codes: Mapping[str, npt.NDArray[Any]]
    start: npt.NDArray[Any]
    told: dict[str, FloatArray] = field(default_factory=dict, compare=False, repr=False)
    """Numbers by name out of each different text of details, once they were asked for."""
    room: Room = field(default_factory=Room, compare=False, repr=False)

    def __len__(self) -> int:
        return len(self.start)

    def at(self, position: int, starts: StartColumns) -> "Observations":
        """See what had entered by a position and not left; the retracted come too, so that they can be put back."""
        retracted = self.codes["left_reason"] == self.words["left_reason"].place("retracted")
        here = self.numbers["entered_position"] <= position
        here &= (self.numbers["left_position"] > position) | retracted
        # Retracted and then erased, there is nothing left to put back.
        erased = starts.has_reached("erased", position)
        if erased.any():
            here &= ~erased[self.start]
        return Observations(self, starts, np.flatnonzero(here), position)

    def with_fresh(self, parts: Iterable[Rows], starts: StartColumns, after: int) -> "ObservationColumns":
        """Take in rows that were read again: their leaving, and as new ones those that entered after a position."""
        fresh = self._taken_in(parts, starts)
        new = np.flatnonzero(fresh.numbers["entered_position"] > after)
        # Parts of what changed come each in order of entry.
        new = new[np.lexsort((fresh.numbers["id"][new], fresh.numbers["entered_position"][new]))]
        known = self._with_left(fresh, np.flatnonzero(fresh.numbers["entered_position"] <= after))
        details, joined = self.words["details"].meanings, known.room.joined
        return ObservationColumns(
            self.question_id,
            {name: joined(f"number {name}", each, fresh.numbers[name][new]) for name, each in known.numbers.items()},
            self.words,
            {name: joined(f"code {name}", each, fresh.codes[name][new]) for name, each in known.codes.items()},
            joined("start", known.start, fresh.start[new]),
            {
                name: joined(f"told {name}", each, _told(name, details[len(each) :]))
                for name, each in known.told.items()
            },
            known.room,
        )

    def _taken_in(self, parts: Iterable[Rows], starts: StartColumns) -> "ObservationColumns":
        """Turn rows as they are read into columns with our words."""
        nothing = nothing_observed(self.question_id)
        # Narrow from the first part on, and joined column by column: never all of it twice, nor wide.
        numbers = {name: [each] for name, each in nothing.numbers.items()}
        codes = {name: [each] for name, each in nothing.codes.items()}
        start = [nothing.start]
        for rows in parts:
            columns = dict(zip(OBSERVATION_COLUMNS, zip(*rows, strict=True), strict=True))
            for name, own in numbers.items():
                own.append(narrowed(_numbers(name, columns[name])))
            for name, coded in codes.items():
                coded.append(narrowed(self.words[name].codes(columns[name])))
            start.append(narrowed(starts.replications.known(columns["replication_id"])))
        return ObservationColumns(
            self.question_id,
            {name: narrowed(np.concatenate(numbers.pop(name))) for name in list(numbers)},
            self.words,
            {name: narrowed(np.concatenate(codes.pop(name))) for name in list(codes)},
            narrowed(np.concatenate(start)),
        )

    def _with_left(self, fresh: "ObservationColumns", known: IntArray) -> "ObservationColumns":
        """Note when and why rows that are here already left."""
        if not len(known):
            return self
        order = np.argsort(self.numbers["id"], kind="stable")
        places = order[np.searchsorted(self.numbers["id"], fresh.numbers["id"][known], sorter=order)]
        left = _changed(self.numbers["left_position"], places, fresh.numbers["left_position"][known])
        reason = _changed(self.codes["left_reason"], places, fresh.codes["left_reason"][known])
        return replace(
            self, numbers={**self.numbers, "left_position": left}, codes={**self.codes, "left_reason": reason}
        )

    def told_number(self, name: str, places: IntArray) -> FloatArray:
        """Return a number out of some rows' details, NaN where they have none of this name."""
        if name not in self.told:
            self.told[name] = _told(name, self.words["details"].meanings)
        told: FloatArray = self.told[name][_taken(self.codes["details"], places)]
        return told

    def size_bytes(self) -> int:
        """Estimate the memory they take."""
        arrays = [*self.numbers.values(), *self.codes.values(), *self.told.values(), self.start]
        texts = sum(each.size_bytes() for each in self.words.values())
        return sum(each.nbytes for each in arrays) + texts


class Observations(Sequence[RecordedObservation]):
    """Some observations as they stood at a position: a sequence of rows, and a column for each field.

    `places` are their rows among the columns, in order and each once.
    """

    def __init__(self, columns: ObservationColumns, starts: StartColumns, places: IntArray, position: int) -> None:
        self.columns = columns
        self.starts = starts
        self.places = places
        self._position = position

    def __len__(self) -> int:
        return len(self.places)

    @overload
    def __getitem__(self, index: int) -> RecordedObservation: ...

    @overload
    def __getitem__(self, index: slice) -> list[RecordedObservation]: ...

    def __getitem__(self, index: int | slice) -> RecordedObservation | list[RecordedObservation]:
        if isinstance(index, slice):
            return self._rows(self.places[index])
        return self._rows(self.places[index : index + 1 or None])[0]

    def __iter__(self) -> Iterator[RecordedObservation]:
        for first in range(0, len(self), ROWS_AT_ONCE):
            yield from self._rows(self.places[first : first + ROWS_AT_ONCE])

    def where(self, mask: BoolArray) -> "Observations":
        """Keep those for which a mask holds."""
        # Counted out first: taking is then several times as quick as picking by a long mask.
        return self.take(np.flatnonzero(mask))

    def take(self, rows: IntArray) -> "Observations":
        """Keep those at some of the rows, which are in order and each once."""
        return Observations(self.columns, self.starts, _taken(self.places, rows), self._position)

    def with_(self, other: "Observations", order: IntArray) -> "Observations":
        """Put others of the same columns after these, and all into an order."""
        places = np.concatenate([self.places, other.places])[order]
        return Observations(self.columns, self.starts, places, self._position)

    def names(self, name: Literal["replication", "household"]) -> list[str]:
        """Return each row's replication or household by its identifier, in the form with hyphens."""
        if name == "replication":
            return [hyphenated(text) for text in self.starts.replications.said(self.start)]
        return [hyphenated(text) for text in self.starts.words["household_id"].said(self.household)]

    def number(self, name: str) -> npt.NDArray[Any]:
        """Return a column of numbers; what is missing is NaN or -1."""
        return _taken(self.columns.numbers[name], self.places).astype(_NUMBERS[name], copy=False)

    def told_number(self, name: str) -> FloatArray:
        """Return a number out of each row's details, NaN where there is none."""
        return self.columns.told_number(name, self.places)

    def codes(self, name: str) -> Codes:
        """Return a column of words as codes."""
        return _taken(self.columns.codes[name], self.places).astype(np.int32, copy=False)

    def words(self, name: str) -> Words:
        """Return what the codes of a column stand for."""
        return self.columns.words[name]

    def says(self, name: str, word: str | None) -> BoolArray:
        """Say where a column has one word."""
        found: BoolArray = self.codes(name) == self.words(name).place(word)
        return found

    @property
    def start(self) -> Codes:
        """The row of each one's replication among the starts: a code for the replication."""
        return _taken(self.columns.start, self.places).astype(np.int32, copy=False)

    @property
    def household(self) -> Codes:
        """A code for each one's household."""
        return self.starts.codes["household_id"][self.start]

    def households(self) -> list[UUID]:
        """List the households in order of receipt."""
        household = self.household
        _, first = numbered(household)
        return [UUID(text) for text in self.starts.words["household_id"].said(household[first])]

    def of_replications(self, replications: Iterable[UUID]) -> "Observations":
        """Keep those of some replications."""
        return self.where(np.isin(self.start, self.starts.rows_of(replications)))

    @property
    def retracted(self) -> BoolArray:
        """Which had been retracted, and are here only to be put back."""
        left: IntArray = _taken(self.columns.numbers["left_position"], self.places)
        return left <= self._position

    @property
    def vouched(self) -> BoolArray:
        """Which are of contributors whom a steward had vouched for."""
        at: IntArray = self.starts.positions["vouched_position"][self.start]
        return at <= self._position

    def _rows(self, places: IntArray) -> list[RecordedObservation]:
        own, starts = self.columns, self.starts
        some = Observations(own, starts, places, self._position)
        began = some.start
        values: dict[str, list[Any]] = {name: some.words(name).said(some.codes(name)) for name in (*_WORDS, *_PARSED)}
        values |= {name: some.number(name).tolist() for name in _SURE}
        for name in _COUNTS:
            values[name] = [None if value == _MISSING else value for value in some.number(name).tolist()]
        for name in _YES_NO:
            values[name] = [None if value == _MISSING else bool(value) for value in some.number(name).tolist()]
        for name in ("difference", "variance"):
            values[name] = [None if value != value else value for value in some.number(name).tolist()]  # noqa: PLR0124  NaN
        values["details"] = [json.loads(text) for text in some.words("details").said(some.codes("details"))]
        values["replication_id"] = [UUID(text) for text in starts.replications.said(began)]
        for name in ("household_id", "contributor_id"):
            values[name] = [UUID(text) for text in starts.words[name].said(starts.codes[name][began])]
        values["vouched"] = some.vouched.tolist()
        retracted, left = some.retracted.tolist(), some.number("left_position").tolist()
        values["left_position"] = [at if gone else None for at, gone in zip(left, retracted, strict=True)]
        values["left_reason"] = [
            reason if gone else None for reason, gone in zip(values["left_reason"], retracted, strict=True)
        ]
        return [
            RecordedObservation(question_id=own.question_id, **dict(zip(values, row, strict=True)))
            for row in zip(*values.values(), strict=True)
        ]


def _taken(column: npt.NDArray[Any], places: IntArray) -> npt.NDArray[Any]:
    """Take the values at places that are in order and each once; a run of them is seen, not copied."""
    if not len(places):
        return column[:0]
    first, last = int(places[0]), int(places[-1])
    return column[first : last + 1] if last - first + 1 == len(places) else column[places]


def nothing_observed(question_id: UUID) -> ObservationColumns:
    """Give columns without a row."""
    words = {name: Words() for name in _WORDS}
    return ObservationColumns(
        question_id,
        {name: narrowed(np.empty(0, dtype=kind)) for name, kind in _NUMBERS.items()},
        {
            **words,
            "details": Words(),
            "flags": Words(lambda text: tuple(json.loads(text))),
            "moderators": Words(json.loads),
        },
        {name: np.empty(0, dtype=np.int8) for name in (*_WORDS, "details", *_PARSED)},
        np.empty(0, dtype=np.int8),
    )


def read_observations(
    session: Session, question_id: UUID, replications: Collection[UUID] | None = None
) -> Iterator[Rows]:
    """Read a question's observations in order of entry and some at a time, for `with_fresh`.

    Parameters
    ----------
    session : Session
        A reading session.
    question_id : UUID
        The question.
    replications : collection of UUID or None
        Only those of these replications.

    """
    texts = [cast(getattr(Observation, name), Text) for name in ("replication_id", "details", *_PARSED)]
    # As the database gives them: a yes or no is turned into a number by the column that it comes to.
    numbers = [type_coerce(getattr(Observation, name), NullType()) for name in _NUMBERS]
    query = select(*texts, *(getattr(Observation, name) for name in _WORDS), *numbers).order_by(
        col(Observation.entered_position), col(Observation.id)
    )
    if replications is None:
        yield from in_parts(session, query.where(col(Observation.question_id) == question_id))
        return
    query = query.where(past_index(Observation.question_id) == question_id)
    for some in batched(replications):
        yield from in_parts(session, query.where(col(Observation.replication_id).in_(some)))


def _numbers(name: str, column: Sequence[Any]) -> npt.NDArray[Any]:
    kind = _NUMBERS[name]
    if name in _SURE or kind is np.float64:
        return np.array(column, dtype=kind)
    return whole(column, NEVER if name == "left_position" else _MISSING).astype(kind)


def _changed(column: npt.NDArray[Any], places: IntArray, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    changed = column.astype(np.result_type(column, values))
    changed[places] = values
    return changed


def _told(name: str, details: Sequence[str]) -> FloatArray:
    """Read one number out of many details."""
    key = f'"{name}"'
    telling = [place for place, text in enumerate(details) if key in text]
    # Many texts are read as one in a fraction of the time.
    read = from_json(f"[{','.join(details[place] for place in telling)}]")
    told = np.full(len(details), np.nan)
    told[telling] = [_number(each.get(name)) for each in read]
    return told


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else np.nan
