"""Loads a file of replication documents, one JSON object a line, with the checks of as many submissions.

A line may also name a `household`: lines with the same name are one household's, in this file. A line that names none
is a household of its own. What a replication is called in the record is made from its line, so that a file is loaded
once, however often it is run: what is there already is passed over.
"""

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from uuid_utils.compat import uuid5

from service.intake.asking import protocol_named, question_document, question_named
from service.intake.copies import BEGINNING, likeness
from service.intake.refusals import Fault, Refused, conflict, invalid
from service.intake.weighing import Outcome, Scales, Sent, Setting, collecting_seldom, likened
from service.record import bulk, questions, replication_reads
from service.record.bulk import Member, NewStart
from service.record.database import Database, Session
from service.record.errors import Conflict

Progress = Callable[[int, int], None]
"""Told how many lines are done, and of how many."""

BATCH: Final = 1000
_NAMES: Final = UUID("6f1a3c52-9d0e-5b7e-8c41-2f60d7b3a915")
"""Any constant will do: it keeps the names made here apart from everybody else's."""
_LONGEST_HOUSEHOLD: Final = 80


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """A line that wasn't taken, and what to mend."""

    number: int
    refused: Refused


@dataclass(slots=True)
class Loaded:
    """What came of a file."""

    loaded: int = 0
    already_there: int = 0
    refused: list[RefusedLine] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    sent: Sent
    member: Member


@dataclass(slots=True)
class _Batch:
    """Lines that are weighed and written together; `until` is the last of them, for the progress."""

    lines: list[_Line]
    until: int


def load_documents(database: Database, path: Path, *, processes: int = 0, progress: Progress | None = None) -> Loaded:
    """Load a file of replication documents.

    Parameters
    ----------
    database : Database
        A record whose tables are up to date, with the questions that the documents name.
    path : Path
        The file.
    processes : int
        Processes that check documents; 0 does it in this one.
    progress : callable or None
        Called after every batch.

    Raises
    ------
    OSError, UnicodeDecodeError
        The file can't be read as UTF-8 text.
    service.record.errors.Unavailable
        The record can't be written just now; what was loaded stays, and running it again goes on from there.

    """
    total = _count_lines(path)
    loading = _Loading(database, path.name)
    scales = Scales(processes)
    try:
        batches = loading.batches(path)
        weighed = scales.weighed(batches, lambda batch: [line.sent for line in batch.lines])
        with collecting_seldom():
            for batch, outcomes in weighed:
                loading.write(batch.lines, outcomes)
                if progress is not None:
                    progress(batch.until, total)
    finally:
        scales.close()
    loading.done.refused.sort(key=lambda each: each.number)
    return loading.done


def _count_lines(path: Path) -> int:
    with path.open("rb") as file:
        return sum(1 for _ in file)


@dataclass(slots=True)
class _Loading:
    database: Database
    file_name: str
    done: Loaded = field(default_factory=Loaded)
    settings: dict[tuple[str, int], Setting | Refused] = field(default_factory=dict)
    seen: Counter[bytes] = field(default_factory=Counter)

    def batches(self, path: Path) -> Iterator[_Batch]:
        lines: list[tuple[int, str]] = []
        number = 0
        with path.open(encoding="utf-8") as file:
            for number, line in enumerate(file, start=1):
                if line.strip():
                    lines.append((number, line.strip()))
                if len(lines) == BATCH:
                    yield _Batch(self._read(lines), number)
                    lines = []
        yield _Batch(self._read(lines), number)

    def _read(self, numbered: Sequence[tuple[int, str]]) -> list[_Line]:
        """Name each line, and pass over those that the record has already."""
        named = [(number, text, self._name(text)) for number, text in numbered]
        with self.database.read() as session:
            there = bulk.present(session, [name for _, _, name in named])
            self.done.already_there += len(there)
            return [
                line
                for number, text, name in named
                if name not in there and (line := self._line(session, number, text, name)) is not None
            ]

    def _name(self, text: str) -> UUID:
        """Make a line's name from what it says; the same line again in one file is another replication."""
        digest = hashlib.sha256(text.encode()).digest()
        self.seen[digest] += 1
        return uuid5(_NAMES, f"{digest.hex()}:{self.seen[digest]}")

    def _line(self, session: Session, number: int, text: str, name: UUID) -> _Line | None:
        try:
            document = _parsed(text)
            household = _household(document.pop("household", None))
            setting = self._setting(session, document)
        except Refused as refused:
            self.done.refused.append(RefusedLine(number, refused))
            return None
        who = f"{self.file_name}:{household}" if household is not None else str(name)
        member = Member(
            id=uuid5(_NAMES, f"contributor:{who}"),
            household_id=uuid5(_NAMES, f"household:{who}"),
            display_name=household or "loaded from a file",
        )
        return _Line(number, Sent(name, member.id, member.household_id, document, setting), member)

    def _setting(self, session: Session, document: Mapping[str, Any]) -> Setting:
        slug, version = document.get("question"), document.get("protocol_version")
        if not isinstance(slug, str) or type(version) is not int:
            raise invalid([Fault("/question", "name the question and its protocol_version")])
        key = (slug, version)
        if key not in self.settings:
            try:
                question = question_named(session, slug)
                if question.status != "open":
                    raise conflict(f"The question {slug} is {question.status}: nothing new is taken for it.")
                protocol = protocol_named(session, question, version)
                self.settings[key] = Setting(question.id, question_document(question), protocol)
            except Refused as refused:
                self.settings[key] = refused
        found = self.settings[key]
        if isinstance(found, Refused):
            raise found
        return found

    def write(self, lines: Sequence[_Line], outcomes: Sequence[Outcome]) -> None:
        """Write a batch in one transaction, without what is refused."""
        taken: list[tuple[_Line, NewStart]] = []
        for line, outcome in zip(lines, outcomes, strict=True):
            if isinstance(outcome, Refused):
                self.done.refused.append(RefusedLine(line.number, outcome))
            else:
                taken.append((line, outcome))
        if not taken:
            return
        try:
            self.database.run_write(lambda session: _write(session, taken))
        except Conflict:
            # A question was merged meanwhile: what names it is refused, and the rest goes in.
            left = self._without_closed(taken)
            if len(left) == len(taken):
                raise
            taken = left
            self.database.run_write(lambda session: _write(session, taken))
        self.done.loaded += len(taken)

    def _without_closed(self, taken: Sequence[tuple[_Line, NewStart]]) -> list[tuple[_Line, NewStart]]:
        self.settings.clear()
        left = []
        with self.database.read() as session:
            for line, start in taken:
                question = questions.get(session, start.question_id)
                if question.status == "open":
                    left.append((line, start))
                else:
                    refused = conflict(f"The question {question.slug} is {question.status} now.")
                    self.done.refused.append(RefusedLine(line.number, refused))
        return left


def _write(session: Session, taken: Sequence[tuple[_Line, NewStart]]) -> None:
    bulk.join(session, [line.member for line, _ in taken])
    bulk.start_all(session, with_copies(session, [start for _, start in taken]))


def with_copies(session: Session, taken: Sequence[NewStart]) -> list[NewStart]:
    """Flag what is a copy, or nearly, of something in the record, or of an earlier one here."""
    beginnings: defaultdict[UUID, set[str]] = defaultdict(set)
    for start in taken:
        beginnings[start.question_id].add(start.fingerprint[:BEGINNING])
    seen: defaultdict[tuple[UUID, str], set[str]] = defaultdict(set)
    for question_id, among in beginnings.items():
        for print_ in replication_reads.fingerprints_like(session, question_id, among):
            seen[question_id, print_[:BEGINNING]].add(print_)
    starts = []
    for start in taken:
        others = seen[start.question_id, start.fingerprint[:BEGINNING]]
        starts.append(likened(start, likeness(start.fingerprint, others)))
        if start.state == "submitted":
            others.add(start.fingerprint)
    return starts


def _parsed(text: str) -> dict[str, Any]:
    try:
        document = json.loads(text, object_pairs_hook=_object, parse_constant=_refuse_constant)
    except RecursionError:
        raise invalid([Fault("", "lists and objects are nested too deep")]) from None
    except ValueError as error:
        raise invalid([Fault("", f"this line isn't JSON: {error}")]) from None
    if not isinstance(document, dict):
        raise invalid([Fault("", "a line is one JSON object")])
    return document


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    read = dict(pairs)
    if len(read) != len(pairs):
        raise ValueError("an object gives the same key twice")
    return read


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")


def _household(given: object) -> str | None:
    if given is None:
        return None
    if not isinstance(given, str) or not 0 < len(given) <= _LONGEST_HOUSEHOLD or "\x00" in given:
        raise invalid([Fault("/household", f"write a name of 1 to {_LONGEST_HOUSEHOLD} characters")])
    return given
