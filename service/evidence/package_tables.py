"""The tables of a data package: what each column holds, and the rows."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.evidence import package_rows
from service.evidence.collect import Held
from service.record.archive import BLOCKS, LEDGER, REPLICATIONS, guarded
from service.record.canonical import rfc3339
from service.record.database import Session

Type = Literal["string", "integer", "number", "boolean", "datetime", "date", "object", "array"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: a Table Schema type, and what it holds."""

    name: str
    type: Type
    description: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its file, what a row is, its columns, and how to read its rows."""

    path: str
    title: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: Callable[[Session, Held], Iterator[Mapping[str, Any]]]
    refers_to: tuple[str, str] | None = None
    """A column of ours, and the table in which its values are the key."""


def cell(column: Column, value: object) -> str:
    """Write a value so that it reads back the same, and no spreadsheet runs it."""
    return "" if value is None else _WRITERS[column.type](value)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True)


_WRITERS: Mapping[Type, Callable[[Any], str]] = {
    "string": lambda text: guarded(str(text)),
    "integer": repr,
    "number": repr,
    "boolean": lambda yes: "true" if yes else "false",
    "datetime": rfc3339,
    "date": lambda day: str(day.isoformat()),
    "object": _json,
    "array": _json,
}


_Row = tuple[str, Type, str]


def _columns(*rows: _Row) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


_REPLICATION: _Row = ("replication", "string", "Identifier of the replication (UUID).")
_HOUSEHOLD: _Row = ("household", "string", "Identifier of the household (UUID): the unit in which evidence is counted.")

TABLES: Sequence[Table] = (
    Table(
        "impressions.csv",
        "Impressions without blinding: counted apart, never pooled",
        ("impression",),
        _columns(
            ("impression", "string", "Identifier (UUID)."),
            ("leans", "string", "control, treatment or neither."),
            ("text", "string", "What they wrote."),
            ("position", "integer", "Of its ledger entry."),
            ("at", "datetime", "When, UTC."),
        ),
        package_rows.impressions,
    ),
    Table(
        BLOCKS,
        "The rest of the ledger as complete subtrees, which with the leaves of ledger.csv make up the tree head",
        ("first",),
        _columns(
            ("first", "integer", "Position of the first entry in the subtree."),
            ("leaves", "integer", "How many entries, a power of two."),
            ("hash", "string", "RFC 9162 hash of the subtree, hex."),
        ),
        package_rows.blocks,
    ),
    Table(
        LEDGER,
        "Every ledger entry that touches the question, in order",
        ("position",),
        _columns(
            ("position", "integer", "In the whole ledger, from 1."),
            ("kind", "string", "What happened."),
            ("subject", "string", "Identifier of what it happened to."),
            ("at", "datetime", "When, UTC, in the form that the leaf is hashed in."),
            ("content_hash", "string", "SHA-256 over salt and content, hex."),
            ("leaf_hash", "string", "RFC 9162 leaf hash, hex."),
            ("showing", "string", "shown (see contents.jsonl), withheld (not yet submitted) or erased."),
        ),
        package_rows.ledger,
    ),
    Table(
        "observations.csv",
        "What the evidence is pooled from: one row per replication, comparison and outcome",
        ("number",),
        _columns(
            ("number", "integer", "In order of receipt."),
            _REPLICATION,
            _HOUSEHOLD,
            ("protocol_version", "integer", "Empty where the row came with a merged question."),
            ("control", "string", "Key of the control arm."),
            ("treatment", "string", "Key of the treatment arm."),
            ("outcome", "string", "What was asked or measured."),
            ("sham", "boolean", "Both vessels were of one arm."),
            ("method", "string", "Of a blind test: triangle, duo_trio, two_afc, three_afc or tetrad."),
            ("presented", "integer", "Sets presented."),
            ("correct", "integer", "Sets answered right."),
            ("assessors", "integer", "How many people tasted."),
            ("difference", "number", "Treatment less control, on the scale named in details."),
            ("variance", "number", "Of the difference, by reading the instruments."),
            ("control_event", "boolean", "For yes-or-no outcomes: the control arm's."),
            ("treatment_event", "boolean", "The treatment arm's."),
            ("sealed", "boolean", "The service held the key while it was tasted."),
            ("registered", "boolean", "The plan was stamped before the outcome."),
            ("vouched", "boolean", "A steward vouches for the contributor."),
            ("conditions_met", "boolean", "Every condition fixed beforehand held; empty where it can't be told."),
            ("outside_the_test", "string", "Why it is kept out of the test, where it is."),
            ("retracted", "boolean", "Taken out by a steward: not pooled, shown for the answer with it."),
            ("entered_position", "integer", "Ledger position from which it counts."),
            ("flags", "array", "Deviations and confounds that bear on it."),
            ("moderators", "object", "The conditions that the replication reports."),
            ("details", "object", "Unit, scale, values by arm."),
        ),
        package_rows.observations,
        ("replication", REPLICATIONS),
    ),
    Table(
        REPLICATIONS,
        "Every replication that was started, and what became of it",
        ("replication",),
        _columns(
            _REPLICATION,
            ("question", "string", "Slug of the question whose protocol it follows."),
            ("protocol_version", "integer", "Of that question."),
            (
                "state",
                "string",
                "registered, submitted, withdrawn, ...; what was never submitted is told as far as it is counted.",
            ),
            _HOUSEHOLD,
            ("vouched", "boolean", "A steward vouches for the contributor."),
            ("plan_method", "string", "Planned test; of what stayed silent too: it is also pooled as guessing."),
            ("plan_control", "string", "Planned control arm."),
            ("plan_treatment", "string", "Planned treatment arm."),
            ("plan_presentations", "integer", "Planned sets."),
            ("plan_primary_outcome", "string", "The outcome that carries the claim."),
            ("plan_significance", "number", "Planned significance level."),
            ("started_position", "integer", "Ledger position of its first entry."),
            ("registered_position", "integer", "Where its plan was stamped; empty where it never was."),
            ("registered_at", "datetime", "When its plan was stamped, UTC."),
            ("submitted_position", "integer", "Where it was submitted."),
            ("withdrawal_asked_position", "integer", "Where its owner asked to take it back."),
            ("withdrawn_position", "integer", "Where it was withdrawn."),
            ("retracted_position", "integer", "Where a steward took it out."),
            ("erased_position", "integer", "Where its content was erased."),
            ("kitchen", "string", "Where and with what."),
            ("conditions", "object", "What may change the answer elsewhere."),
            ("assignment", "string", "How vessels got their arms."),
            ("observer_knew_the_arms", "boolean", "Whether who read the instruments knew the arms."),
            ("suspected_confounds", "array", "What its owner suspects."),
            ("notes", "string", "Free text."),
        ),
        package_rows.replications,
    ),
    Table(
        "trials.csv",
        "Blind trials: as their contributors typed them, and those that the service sealed",
        ("replication", "sealed", "number"),
        _columns(
            _REPLICATION,
            ("sealed", "boolean", "The service drew it and held its key; otherwise it was typed in."),
            ("number", "integer", "Which of the replication's typed, or sealed, trials."),
            ("trial", "string", "Identifier of a sealed trial (UUID)."),
            ("method", "string", "triangle, duo_trio, two_afc, three_afc or tetrad."),
            ("control", "string", "Key of the control arm."),
            ("treatment", "string", "Key of the treatment arm."),
            ("planned", "integer", "Sets planned."),
            ("presented", "integer", "Sets presented."),
            ("correct", "integer", "Sets answered right."),
            ("assessors", "integer", "How many people tasted."),
            ("order_draw", "string", "How the orders were drawn."),
            ("told_during", "boolean", "Whether answers were told right or wrong during the trial."),
            ("key_held_by", "string", "Who knew which glass was which."),
            ("tasted_on", "date", "The day of the first answer."),
            ("opened_position", "integer", "Ledger position at which a sealed trial was opened."),
            ("closed_position", "integer", "Ledger position at which it ended: its key and answers are there."),
            ("ended_by", "string", "Its last taster, helper, owner or steward, or age: tasters, helper, ..."),
        ),
        package_rows.trials,
        ("replication", REPLICATIONS),
    ),
)
