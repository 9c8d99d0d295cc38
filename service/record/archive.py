"""A question's data package as a file: what its parts are called, and whether it is still what was handed out."""

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from service.record import ledger, merkle
from service.record.errors import RecordError
from service.record.verify import KnownHead, Problem, Progress, VerifyReport

DESCRIPTOR = "datapackage.json"
EVIDENCE = "evidence.json"
LEDGER = "ledger.csv"
BLOCKS = "ledger-blocks.csv"
CONTENTS = "contents.jsonl"
REPLICATIONS = "replications.csv"

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "'")
_CHUNK = 1 << 20
_TELL_EVERY = 1000
# A document may be as long as the largest body taken, and its canonical form longer.
csv.field_size_limit(1 << 28)


class NotAPackage(RecordError):  # noqa: N818  # named like the record's other refusals
    """The file isn't a data package of a question."""


def guarded(text: str) -> str:
    """Write text so that no spreadsheet takes it for a formula: an apostrophe goes before what could start one."""
    return f"'{text}" if text.startswith(_STARTS_A_FORMULA) else text


def unguarded(cell: str) -> str:
    """Read back what `guarded` wrote."""
    return cell.removeprefix("'")


@dataclass(frozen=True, slots=True)
class Leaf:
    """One row of the package's ledger, with its content where that is shown."""

    position: int
    kind: str
    subject: str
    at: datetime
    content_hash: str
    leaf_hash: str
    showing: str
    salt: str | None
    content: str | None


class Archive:
    """A data package, opened for reading.

    Raises
    ------
    NotAPackage
        The file isn't one, or can't be read.

    """

    def __init__(self, path: Path) -> None:
        try:
            self._zip = zipfile.ZipFile(path)
            self.descriptor: dict[str, Any] = json.loads(self._zip.read(DESCRIPTOR))
            self.evidence: dict[str, Any] = json.loads(self._zip.read(EVIDENCE))
            self.size = int(self.evidence["as_of"]["position"])
            self.root_hash = str(self.evidence["as_of"]["root_hash"])
        except (OSError, zipfile.BadZipFile, KeyError, TypeError, ValueError) as error:
            raise NotAPackage(f"{path} isn't the data package of a question: {error}") from error

    def __enter__(self) -> Self:
        """Give the archive, to be closed at the end of the block."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the file."""
        self._zip.close()

    def rows(self, name: str) -> Iterator[dict[str, str]]:
        """Read a table's rows, every cell as text, without the guard against formulas."""
        with self._zip.open(name) as raw, io.TextIOWrapper(raw, "utf-8", newline="") as text:
            for row in csv.DictReader(text):
                yield {column: unguarded(cell) for column, cell in row.items()}

    def leaves(self) -> Iterator[Leaf]:
        """Read the ledger's rows in order, each with its content."""
        contents = self._contents()
        following = next(contents, None)
        for row in self.rows(LEDGER):
            position = int(row["position"])
            salt = content = None
            if following is not None and following["position"] == position:
                salt, content = following["salt"], following["content"]
                following = next(contents, None)
            yield Leaf(
                position,
                row["kind"],
                row["subject"],
                datetime.fromisoformat(row["at"]),
                row["content_hash"],
                row["leaf_hash"],
                row["showing"],
                salt,
                content,
            )
        if following is not None:
            raise NotAPackage(f"{CONTENTS} has content for position {following['position']}, out of order or too much")

    def _contents(self) -> Iterator[dict[str, Any]]:
        with self._zip.open(CONTENTS) as lines:
            for line in lines:
                yield json.loads(line)

    def altered_parts(self) -> Iterator[str]:
        """Say of each part that isn't what the descriptor says of it."""
        listed = {str(each["path"]): each for each in self.descriptor["resources"]}
        present = set(self._zip.namelist()) - {DESCRIPTOR}
        for name in sorted(listed.keys() ^ present):
            yield f"{name} is {'missing' if name in listed else 'not in the descriptor'}"
        for name in sorted(listed.keys() & present):
            if f"sha256:{self._sha256(name)}" != listed[name].get("hash"):
                yield f"{name} isn't what its hash was made from"

    def _sha256(self, name: str) -> str:
        digest = hashlib.sha256()
        with self._zip.open(name) as part:
            while chunk := part.read(_CHUNK):
                digest.update(chunk)
        return digest.hexdigest()


@dataclass(slots=True)
class _Walk:
    blocks: Iterator[dict[str, str]]
    frontier: merkle.Frontier = field(default_factory=merkle.Frontier)
    at: datetime | None = None
    contents: int = 0
    withheld: int = 0
    missing: set[int] = field(default_factory=set)
    erased: set[int] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)

    def object_to(self, position: int, detail: str) -> None:
        self.problems.append(Problem(position, detail))

    def pass_blocks(self, until: int) -> None:
        """Put in the subtrees that stand before a position."""
        while self.frontier.size < until - 1:
            block = next(self.blocks, None)
            if block is None:
                raise NotAPackage(f"{BLOCKS} doesn't fill the ledger up to position {until}")
            self.frontier = self.frontier.extend(bytes.fromhex(block["hash"]), int(block["leaves"]))


def check(path: Path, *, known: KnownHead | None = None, progress: Progress | None = None) -> VerifyReport:
    """Recompute every hash in a data package, up to the tree head that its evidence names.

    It establishes that the package holds an unaltered part of the record's history, not that what people submitted is
    true; and that the head is the record's own only by comparing it with one got from elsewhere.

    Parameters
    ----------
    path : Path
        The package.
    known : KnownHead or None
        A tree head got from elsewhere, compared where it is of the package's size.
    progress : callable or None
        Called now and then with the positions passed and their number.

    Raises
    ------
    NotAPackage
        The file isn't one, or can't be read to its end.

    """
    try:
        with Archive(path) as archive:
            return _check(archive, known, progress)
    except (zipfile.BadZipFile, KeyError, TypeError, ValueError, AttributeError, EOFError) as error:
        raise NotAPackage(f"{path} can't be read: {error}") from error


def _check(archive: Archive, known: KnownHead | None, progress: Progress | None) -> VerifyReport:
    walk = _Walk(archive.rows(BLOCKS))
    for altered in archive.altered_parts():
        walk.object_to(archive.size, altered)
    for number, leaf in enumerate(archive.leaves()):
        walk.pass_blocks(leaf.position)
        _check_leaf(walk, leaf)
        if progress is not None and number % _TELL_EVERY == 0:
            progress(leaf.position, archive.size)
    walk.pass_blocks(archive.size + 1)
    for position in sorted(walk.missing - walk.erased):
        walk.object_to(position, "its content is missing, and no erasure names it")
    root_hash = walk.frontier.root().hex()
    if (walk.frontier.size, root_hash) != (archive.size, archive.root_hash):
        walk.object_to(archive.size, "the tree head that the evidence names isn't the head of these entries")
    if known is not None and known.size == archive.size and known.root_hash != root_hash:
        walk.object_to(archive.size, "the head at this size isn't the one you know")
    elif known is not None and known.size != archive.size:
        walk.object_to(archive.size, f"the package is of {archive.size} entries, the head you know of {known.size}")
    return VerifyReport(
        archive.size, root_hash, walk.contents, len(walk.missing & walk.erased), tuple(walk.problems), walk.withheld
    )


def _check_leaf(walk: _Walk, leaf: Leaf) -> None:
    position = leaf.position
    if position != walk.frontier.size + 1:
        walk.object_to(position, f"position {walk.frontier.size + 1} should come here")
    if walk.at is not None and leaf.at < walk.at:
        walk.object_to(position, "its time is before that of the entry before")
    walk.at = leaf.at
    hashed = merkle.leaf_hash(
        ledger.leaf_bytes(
            position=position, kind=leaf.kind, subject=leaf.subject, at=leaf.at, content_hash=leaf.content_hash
        )
    )
    walk.frontier = walk.frontier.append(hashed)
    if hashed.hex() != leaf.leaf_hash:
        walk.object_to(position, "its leaf_hash isn't the hash of what it holds")
    if leaf.showing == "shown" and leaf.salt is not None and leaf.content is not None:
        walk.contents += 1
        if ledger.content_hash(bytes.fromhex(leaf.salt), leaf.content.encode()) != leaf.content_hash:
            walk.object_to(position, "its content isn't what its content_hash was made from")
        elif leaf.kind == "erasure":
            walk.erased.update(json.loads(leaf.content)["positions"])
    elif leaf.showing == "withheld":
        walk.withheld += 1
    else:
        walk.missing.add(position)
