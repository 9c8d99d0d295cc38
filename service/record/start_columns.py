"""What became of every replication started for a question: a column for each fact, valid at every position at once."""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, overload
from uuid import UUID

import numpy as np
import numpy.typing as npt
from sqlalchemy import ColumnElement, Text, cast, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record.changes import Changed
from service.record.rows import ReplicationState, Start
from service.record.tables import Contributor, Replication
from service.record.words import BoolArray, Codes, Words

IntArray = npt.NDArray[np.int64]
Rows = Sequence[Sequence[Any]]

NEVER: Final = 2**62
"""The position of what has not happened."""
ROWS_AT_ONCE = 1000
"""Few enough to be still in the processor's cache when they become columns."""
_ASKED_AT_ONCE = 5000
# What a replication is by the latest of these that it has reached.
_REACHED: tuple[tuple[str, ReplicationState], ...] = (
    ("erased_position", "erased"),
    ("retracted_position", "retracted"),
    ("withdrawn_position", "withdrawn"),
    ("submitted_position", "submitted"),
    ("registered_position", "registered"),
)
STATES: tuple[ReplicationState, ...] = tuple(state for _, state in _REACHED)
_SHOWN = ("registered", "submitted", "withdrawal_asked", "withdrawn", "retracted", "erased")
_POSITIONS = ("started_position", *(f"{each}_position" for each in _SHOWN))
_NAMES = ("question_id", "contributor_id", "household_id", "plan")


@dataclass(frozen=True, slots=True)
class StartColumns:
    """Replications in order of start; names are codes into `words`, and positions `NEVER` for what has not happened.

    A replication's code is its row. Identifiers are told apart as the database writes them.
    """

    replications: Words
    words: Mapping[str, Words]
    codes: Mapping[str, Codes]
    positions: Mapping[str, IntArray]
    protocol_version: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.protocol_version)

    def at(self, position: int, family: Collection[UUID]) -> "Starts":
        """See those of some questions as they stood at a position."""
        here = self.words["question_id"].those(self.codes["question_id"], family.__contains__)
        begun = self.positions["started_position"] <= position
        return Starts(self, np.flatnonzero(here & begun), position)

    def rows_of(self, replications: Iterable[UUID]) -> list[int]:
        """Return replications' rows, which are their codes; -1 for those that aren't here."""
        # The two databases write identifiers in two ways.
        hyphens = len(self) > 0 and "-" in self.replications.meanings[0]
        return self.replications.places([str(each) if hyphens else each.hex for each in replications])

    def has_reached(self, what: str, position: int) -> BoolArray:
        """Say which had been registered, submitted, withdrawal_asked, withdrawn, retracted or erased by a position."""
        return self.positions[f"{what}_position"] <= position

    def with_fresh(self, parts: Iterable[Rows]) -> "StartColumns":
        """Put rows that were read again in the place of the old ones, and new ones at the end."""
        places = [np.empty(0, dtype=np.int32)]
        codes = {name: [each[:0]] for name, each in self.codes.items()}
        positions = {name: [each[:0]] for name, each in self.positions.items()}
        versions = [self.protocol_version[:0]]
        for rows in parts:
            columns = dict(zip(START_COLUMNS, zip(*rows, strict=True), strict=True))
            places.append(self.replications.codes(columns["id"]))
            for name, coded in codes.items():
                coded.append(self.words[name].codes(columns[name]))
            for name, reached in positions.items():
                reached.append(whole(columns[name], NEVER))
            versions.append(np.array(columns["protocol_version"], dtype=np.int32))
        # Of a row that is there twice the last one stands; a new one has the next code, which is its place.
        at = np.concatenate(places)

        def standing(before: Any, fresh: list[Any]) -> Any:  # noqa: ANN401  # arrays of one dtype
            found = np.empty(len(self.replications.meanings), dtype=before.dtype)
            found[: len(self)] = before
            found[at] = np.concatenate(fresh)
            return found

        return StartColumns(
            self.replications,
            self.words,
            {name: standing(self.codes[name], coded) for name, coded in codes.items()},
            {name: standing(self.positions[name], reached) for name, reached in positions.items()},
            standing(self.protocol_version, versions),
        )

    def size_bytes(self) -> int:
        """Estimate the memory they take."""
        arrays: list[npt.NDArray[Any]] = [*self.codes.values(), *self.positions.values(), self.protocol_version]
        texts = [self.replications, *self.words.values()]
        return sum(each.nbytes for each in arrays) + sum(each.size_bytes() for each in texts)


class Starts(Sequence[Start]):
    """Some starts as they stood at a position: a sequence of rows, and a column for each fact."""

    def __init__(self, columns: StartColumns, places: IntArray, position: int) -> None:
        self.columns = columns
        self.places = places
        self._position = position

    def __len__(self) -> int:
        return len(self.places)

    @overload
    def __getitem__(self, index: int) -> Start: ...

    @overload
    def __getitem__(self, index: slice) -> list[Start]: ...

    def __getitem__(self, index: int | slice) -> Start | list[Start]:
        if isinstance(index, slice):
            return self._rows(self.places[index])
        return self._rows(self.places[index : index + 1 or None])[0]

    def __iter__(self) -> Iterator[Start]:
        for first in range(0, len(self), ROWS_AT_ONCE):
            yield from self._rows(self.places[first : first + ROWS_AT_ONCE])

    def where(self, mask: BoolArray) -> "Starts":
        """Keep those for which a mask holds."""
        return Starts(self.columns, self.places[mask], self._position)

    def reached(self, what: str) -> BoolArray:
        """Say which had been registered, submitted, withdrawal_asked, withdrawn, retracted or erased."""
        return self.columns.has_reached(what, self._position)[self.places]

    def first(self, what: str) -> int | None:
        """Return the earliest position at which one of them reached something; None where none had."""
        found = self.columns.positions[f"{what}_position"][self.places][self.reached(what)]
        return int(found.min()) if len(found) else None

    def states(self) -> npt.NDArray[np.int8]:
        """Return what each was, as a place in `STATES`."""
        choices = [self.reached(name.removesuffix("_position")) for name, _ in _REACHED]
        return np.select(choices, list(range(len(STATES))), default=-1).astype(np.int8)

    @property
    def protocol_versions(self) -> npt.NDArray[np.int32]:
        """The version that each follows."""
        return self.columns.protocol_version[self.places]

    @property
    def household(self) -> Codes:
        """A code for each one's household."""
        return self.columns.codes["household_id"][self.places]

    def plans(self) -> tuple[Words, Codes]:
        """Return the different plans, and which one each has."""
        return self.columns.words["plan"], self.columns.codes["plan"][self.places]

    def _rows(self, places: IntArray) -> list[Start]:
        own, position = self.columns, self._position
        plans, households, contributors = (
            own.words[name].said(own.codes[name][places]) for name in ("plan", "household_id", "contributor_id")
        )
        reached = {
            f"{name}_position": [
                at if at <= position else None for at in own.positions[f"{name}_position"][places].tolist()
            ]
            for name in _SHOWN
        }
        states = Starts(own, places, position).states().tolist()
        vouched = (own.positions["vouched_position"][places] <= position).tolist()
        return [
            Start(
                replication_id=UUID(own.replications.meanings[place]),
                household_id=UUID(households[n]),
                contributor_id=UUID(contributors[n]),
                protocol_version=version,
                plan=plans[n],
                state=STATES[states[n]],
                started_position=started,
                vouched=vouched[n],
                **{name: reached[name][n] for name in reached},
            )
            for n, (place, version, started) in enumerate(
                zip(
                    places.tolist(),
                    own.protocol_version[places].tolist(),
                    own.positions["started_position"][places].tolist(),
                    strict=True,
                )
            )
        ]


START_COLUMNS = ("id", *_NAMES, *_POSITIONS, "vouched_position", "protocol_version")


def nothing_started() -> StartColumns:
    """Give columns without a row."""
    return StartColumns(
        Words(),
        {
            "question_id": Words(UUID),
            "contributor_id": Words(),
            "household_id": Words(),
            "plan": Words(json.loads),
        },
        {name: np.empty(0, dtype=np.int32) for name in _NAMES},
        {name: np.empty(0, dtype=np.int64) for name in (*_POSITIONS, "vouched_position")},
        np.empty(0, dtype=np.int32),
    )


def read_starts(session: Session, family: Collection[UUID], changed: Changed | None = None) -> Iterator[Rows]:
    """Read the replications started for some questions, in order of start and some at a time, for `with_fresh`.

    Parameters
    ----------
    session : Session
        A reading session.
    family : collection of UUID
        The questions.
    changed : Changed or None
        Only these replications, and those of these contributors.

    """
    texts = [cast(getattr(Replication, name), Text) for name in ("id", *_NAMES)]
    query = (
        select(
            *texts,
            *(getattr(Replication, name) for name in _POSITIONS),
            col(Contributor.vouched_position),
            col(Replication.protocol_version),
        )
        .join(Contributor, col(Contributor.id) == col(Replication.contributor_id))
        .order_by(col(Replication.started_position))
    )
    if changed is None:
        yield from in_parts(session, query.where(col(Replication.question_id).in_(family)))
        return
    query = query.where(past_index(Replication.question_id).in_(family))
    # Replications first, in order of start: what their contributors have besides is known already.
    for column, those in ((Replication.id, changed.replications), (Replication.contributor_id, changed.contributors)):
        for some in batched(those):
            yield from in_parts(session, query.where(col(column).in_(some)))


def past_index(column: Any) -> ColumnElement[Any]:  # noqa: ANN401  # a mapped column
    """Name a column so that SQLite doesn't look through the whole of a question for a few rows of it."""
    return func.coalesce(column, column)


def hyphenated(text: str) -> str:
    """Write an identifier as it is shown, however the database writes it."""
    if "-" in text:
        return text
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def batched(those: Collection[UUID]) -> Iterator[list[UUID]]:
    """Give some at a time, few enough for one statement."""
    listed = list(those)
    for first in range(0, len(listed), _ASKED_AT_ONCE):
        yield listed[first : first + _ASKED_AT_ONCE]


def in_parts(session: Session, query: Any) -> Iterator[Rows]:  # noqa: ANN401  # a select of any columns
    """Run a query for plain columns, and give its rows some at a time."""
    # Past the session, which would look at each row for objects of its own.
    yield from session.connection().execute(query, execution_options={"yield_per": ROWS_AT_ONCE}).partitions()


def whole(column: Sequence[int | None], missing: int) -> IntArray:
    """Turn whole numbers, some of them missing, into an array."""
    if column.count(None) == len(column):
        return np.full(len(column), missing, dtype=np.int64)
    found = np.array(column, dtype=np.float64)  # NaN for None; a ledger position is far below 2**53
    return np.where(np.isnan(found), missing, found).astype(np.int64)


def narrowed(column: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Hold whole numbers in the fewest bytes that they need."""
    if column.dtype.kind != "i":
        return column
    low, high = int(column.min(initial=0)), int(column.max(initial=0))
    kinds: tuple[type[np.signedinteger[Any]], ...] = (np.int8, np.int16, np.int32)
    enough = (kind for kind in kinds if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max)
    return column.astype(next(enough, np.int64), copy=False)
