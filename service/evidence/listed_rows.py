"""The rows that an answer lists, read off the columns without what no list shows."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic_core import from_json

from service.evidence.blocks import LONGEST_LIST
from service.evidence.compared import WITHDRAWAL_ASKED, Compared
from service.evidence.comparison import told_from
from service.record.words import occurring


@dataclass(frozen=True, slots=True)
class ListedRow:
    """One observation as a list of studies shows it; identifiers are texts."""

    replication_id: str
    household_id: str
    method: str | None
    presented: int
    correct: int
    difference: float
    details: Mapping[str, Any]
    sealed: bool
    registered: bool
    flags: tuple[str, ...]


def listed(rows: Compared) -> list[ListedRow]:
    """Read the first rows, as many as are listed."""
    some = rows.where(np.arange(len(rows)) < LONGEST_LIST)
    methods, method = some.words("method")
    flags, flagged = some.words("flags")
    columns = zip(
        some.names("replication"),
        some.names("household"),
        methods.said(method),
        some.number("presented").tolist(),
        some.number("correct").tolist(),
        some.number("difference").tolist(),
        details_of(some),
        some.number("sealed").tolist(),
        some.number("registered").tolist(),
        (
            (*said, WITHDRAWAL_ASKED) if asked else said
            for said, asked in zip(flags.said(flagged), some.is_asked_back.tolist(), strict=True)
        ),
        strict=True,
    )
    return [ListedRow(*each) for each in columns]


def details_of(rows: Compared) -> Iterator[Mapping[str, Any]]:
    """Read each row's details, named as the comparison sees them; what they hold inside is left as it was told."""
    words, codes = rows.observations.words("details"), rows.observations.codes("details")
    told = {code: from_json(words.meanings[code]) for code in occurring(codes)}
    for code, is_turned in zip(codes.tolist(), rows.is_turned.tolist(), strict=True):
        yield {told_from(name): value for name, value in told[code].items()} if is_turned else told[code]
