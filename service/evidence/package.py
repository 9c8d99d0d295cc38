"""A question's data package (Frictionless Data Package, version 2): everything that its answer rests on, in one zip.

The same state of the record gives the same bytes: nothing is compressed, dated or ordered by anything else.
"""

import csv
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, Any

from service.evidence.answer import answer_from
from service.evidence.collect import Held, choose, read
from service.evidence.filters import Filters
from service.evidence.method import METHOD_VERSION
from service.evidence.package_rows import contents
from service.evidence.package_tables import TABLES, Table, cell
from service.evidence.shape import EvidenceAnswer
from service.record import exports, replication_reads
from service.record.archive import CONTENTS, DESCRIPTOR, EVIDENCE
from service.record.canonical import rfc3339
from service.record.database import Session
from service.record.tables import Question

CITATION = "CITATION.cff"
QUESTION = "question.json"
LICENCE = {
    "name": "CC0-1.0",
    "title": "Creative Commons CC0 1.0 Universal",
    "path": "https://creativecommons.org/publicdomain/zero/1.0/",
}
_EARLIEST = (1980, 1, 1, 0, 0, 0)
_READABLE_BY_ALL = 0o644 << 16
_UNIX = 3
_ROWS_AT_ONCE = 500
_NOT_IN_YAML = re.compile("[\x7f-\x9f\ufeff\ufffe\uffff]")
_NOTE = (
    "Pooled blind comparisons of one change in fermenting or distilling, with all that the answer rests on. "
    "`manybatch verify FILE` recomputes every hash: it establishes that the history is unaltered, not that what people "
    "submitted is true. In the tables, text that begins with one of = + - @ ' (or their full-width forms, a tab or a "
    "line break) has an apostrophe before it, so that no spreadsheet takes it for a formula; take that first "
    "apostrophe away. Distilling at home is unlawful in many places: follow local law, licences and fire codes."
)


class ErasedSinceError(Exception):
    """Something that the package of this position held was erased later, so that it can't be made again."""


@dataclass(slots=True)
class _Parts:
    """The zip as it grows, and what the descriptor will say of each part."""

    archive: zipfile.ZipFile
    described: list[dict[str, Any]] = field(default_factory=list)

    @contextmanager
    def part(self, path: str, **described: object) -> Iterator["_Hashed"]:
        """Write one part, and note its length and hash."""
        with self.archive.open(_named(path), "w", force_zip64=True) as raw:
            hashed = _Hashed(raw)
            yield hashed
        said = {"name": path.rsplit(".", 1)[0].lower(), "path": path, **described}
        self.described.append(said | {"bytes": hashed.length, "hash": f"sha256:{hashed.digest.hexdigest()}"})


@dataclass(slots=True)
class _Hashed:
    raw: IO[bytes]
    digest: Any = field(default_factory=hashlib.sha256)
    length: int = 0

    def write(self, text: str) -> None:
        data = text.encode()
        self.raw.write(data)
        self.digest.update(data)
        self.length += len(data)


def _named(path: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(path, _EARLIEST)
    info.external_attr = _READABLE_BY_ALL
    info.create_system = _UNIX
    return info


def refuse_erased(session: Session, question: Question, position: int) -> None:
    """Raise ErasedSinceError where something that the package of a position held was erased after it."""
    family = replication_reads.with_merged(session, question.id, position)
    if exports.erased_since(session, family, position):
        raise ErasedSinceError


def write_package(
    session: Session, question: Question, position: int, target: IO[bytes], *, public_url: str = ""
) -> None:
    """Write a question's data package as of a ledger position.

    Parameters
    ----------
    session : Session
        A reading session of the record.
    question : Question
        The question.
    position : int
        The last ledger entry that touches it, at or before the state asked for.
    target : binary file
        Where the zip goes; it must be able to seek.
    public_url : str
        Where the record is served, for links and the citation.

    Raises
    ------
    ErasedSinceError
        What the package held at that position was erased since.

    """
    refuse_erased(session, question, position)
    held = read(session, question, position)
    pooled = answer_from(choose(held, Filters()), public_url=public_url)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        parts = _Parts(archive)
        _write_text(parts, CITATION, _citation(held, pooled, public_url), "text/x-yaml", "How to cite this package")
        with parts.part(
            CONTENTS, title="What the ledger entries say", format="jsonl", mediatype="application/jsonl"
        ) as to:
            for line in contents(session, held):
                to.write(line)
        _write_text(parts, EVIDENCE, pooled.model_dump_json(), "application/json", "The pooled answer")
        _write_text(parts, QUESTION, _question(held), "application/json", "The question and its protocols")
        for table in TABLES:
            _write_table(parts, table, session, held)
        descriptor = json.dumps(_descriptor(held, pooled, parts.described, public_url), ensure_ascii=False, indent=1)
        archive.writestr(_named(DESCRIPTOR), descriptor.encode())


def _write_text(parts: _Parts, path: str, text: str, mediatype: str, title: str) -> None:
    extension = path.rsplit(".", 1)[1]
    with parts.part(path, title=title, format=extension, mediatype=mediatype, encoding="utf-8") as to:
        to.write(text)


def _write_table(parts: _Parts, table: Table, session: Session, held: Held) -> None:
    described = {
        "type": "table",
        "title": table.title,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": _schema(table),
    }
    with parts.part(table.path, **described) as to:
        to.write(_csv([[column.name for column in table.columns]]))
        some: list[list[str]] = []
        for row in table.rows(session, held):
            some.append([cell(column, row.get(column.name)) for column in table.columns])
            if len(some) == _ROWS_AT_ONCE:
                to.write(_csv(some))
                some = []
        to.write(_csv(some))


def _csv(rows: Iterable[list[str]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()


def _schema(table: Table) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [
            {"name": column.name, "type": column.type, "description": column.description} for column in table.columns
        ],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    if table.refers_to is not None:
        column, path = table.refers_to
        reference = {"resource": path.rsplit(".", 1)[0], "fields": [column]}
        schema["foreignKeys"] = [{"fields": [column], "reference": reference}]
    return schema


def _descriptor(held: Held, pooled: EvidenceAnswer, described: list[dict[str, Any]], public_url: str) -> dict[str, Any]:
    question = held.question
    descriptor = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": f"{question.slug}-as-of-{held.position}",
        "title": question.title,
        "description": _NOTE,
        "version": f"{held.position}",
        "created": rfc3339(held.at),
        "licenses": [LICENCE],
        "contributors": [{"title": "Contributors to the manybatch record", "roles": ["creator"]}],
        "keywords": ["blind comparison", question.stage, question.slug],
        "citation": pooled.cite_as,
        "ledger": {"size": held.position, "root_hash": held.root_hash},
        "method_version": METHOD_VERSION,
        "resources": described,
    }
    if public_url:
        descriptor["homepage"] = f"{public_url}/v1/questions/{question.slug}"
    return descriptor


def _question(held: Held) -> str:
    question = held.question
    shown = {
        "slug": question.slug,
        "title": question.title,
        "background": question.background,
        "factor": question.factor,
        "stage": question.stage,
        "arms": question.arms,
        "protocols": [
            {"version": each.version, "created_at": rfc3339(each.created_at), "protocol": each.document}
            for each in held.protocols
        ],
    }
    return json.dumps(shown, ensure_ascii=False, indent=1)


def _citation(held: Held, pooled: EvidenceAnswer, public_url: str) -> str:
    """Write Citation File Format 1.2.0; every value is a JSON string, which YAML reads as it is."""
    lines: dict[str, object] = {
        "cff-version": "1.2.0",
        "message": "If you use these data, please cite them as below.",
        "type": "dataset",
        "title": held.question.title,
        "abstract": pooled.answer,
        "authors": [{"name": "Contributors to the manybatch record"}],
        "version": f"ledger position {held.position}, method version {METHOD_VERSION}",
        "date-released": f"{held.at:%Y-%m-%d}",
        "license": LICENCE["name"],
    }
    if public_url:
        lines["url"] = f"{public_url}/v1/questions/{held.question.slug}/evidence?as_of={held.position}"
    return "".join(f"{name}: {_quoted(value)}\n" for name, value in lines.items())


def _quoted(value: object) -> str:
    """Write JSON that is YAML too, which takes some characters in quotes only by their numbers."""
    return _NOT_IN_YAML.sub(lambda found: f"\\u{ord(found[0]):04x}", json.dumps(value, ensure_ascii=False))
