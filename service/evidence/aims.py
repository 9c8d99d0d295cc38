"""What the protocols set out to find, as it stood before any result could be looked at."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.record.rows import ProtocolVersion

PERCEIVABLE = "perceivable_difference"
PREFERENCE = "preference"
DESCRIPTORS = "descriptors"
DRYNESS = "reached_dryness"
TASTED = (PERCEIVABLE, PREFERENCE, DESCRIPTORS)
EARLIEST_SPLIT = "recipe"
SMALLEST_DISCRIMINATING = 0.3
"""Proportion discriminating that matters, where a protocol says nothing."""


@dataclass(frozen=True, slots=True)
class Aims:
    """The outcomes asked for, the one that carries the claim, and where the arms part.

    `smallest` holds the smallest differences that matter, in each outcome's unit, and `set_late` the outcomes for which
    that was first said when a result was there already. `split_points` are by version.
    """

    outcomes: tuple[str, ...]
    primary: str
    smallest: Mapping[str, float]
    set_late: frozenset[str]
    split_points: Mapping[int, str]
    terms: tuple[str, ...]
    pairs: tuple[tuple[str, str], ...]


def aims_of(protocols: Sequence[ProtocolVersion], first_result: int | None) -> Aims:
    """Read a question's protocols.

    Parameters
    ----------
    protocols : sequence of ProtocolVersion
        In order; those of the state asked about.
    first_result : int or None
        The ledger position of the first result. The smallest difference that matters is the one asked for before it:
        a later version may name other outcomes, but can't move the mark once results can be seen.

    """
    documents = [(version, version.document or {}) for version in protocols]
    asked = [goal for _, document in documents for goal in _goals(document)]
    before = [each for each in documents if first_result is None or each[0].position < first_result] or documents[:1]
    promised = {PERCEIVABLE: SMALLEST_DISCRIMINATING} | _marks(before)
    later = _marks(reversed(documents))
    newest = documents[-1][1] if documents else {}
    return Aims(
        outcomes=tuple(dict.fromkeys(str(goal["outcome"]) for goal in asked)),
        primary=next((_primary(document) for _, document in documents if _goals(document)), PERCEIVABLE),
        smallest=later | promised,
        set_late=frozenset(later) - frozenset(promised),
        split_points={
            version.version: str(document.get("split_point", EARLIEST_SPLIT)) for version, document in documents
        },
        terms=tuple(dict.fromkeys(str(term) for _, document in documents for term in document.get("descriptors", ()))),
        pairs=tuple((str(pair["control"]), str(pair["treatment"])) for pair in newest.get("pairs") or ()),
    )


def _marks(documents: Iterable[tuple[ProtocolVersion, Mapping[str, Any]]]) -> dict[str, float]:
    """Read the smallest differences that matter; of several that name an outcome the last one counts."""
    return {
        str(goal["outcome"]): float(goal["smallest_difference_that_matters"])
        for _, document in documents
        for goal in _goals(document)
        if goal.get("smallest_difference_that_matters")
    }


def _goals(document: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    return document.get("outcomes") or ()


def _primary(document: Mapping[str, Any]) -> str:
    goals = _goals(document)
    return str(next((goal for goal in goals if goal.get("primary")), goals[0])["outcome"])
