"""What the protocols set out to find, as it stood before any result could be looked at."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.record.rows import ProtocolVersion

PERCEIVABLE = "perceivable_difference"
PREFERENCE = "preference"
DESCRIPTORS = "descriptors"
DRYNESS = "reached_dryness"
TASTED = (PERCEIVABLE, PREFERENCE, DESCRIPTORS)
EARLIEST_SPLIT = "recipe"


@dataclass(frozen=True, slots=True)
class Aims:
    """The outcomes asked for, the one that carries the claim, and where the arms part.

    `smallest` holds the smallest differences that matter, in each outcome's unit. `split_points` are by version.
    """

    outcomes: tuple[str, ...]
    primary: str
    smallest: Mapping[str, float]
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
    smallest: dict[str, float] = {}
    for _, document in [*reversed(documents), *before]:
        said = {str(goal["outcome"]): goal.get("smallest_difference_that_matters") for goal in _goals(document)}
        smallest |= {name: float(size) for name, size in said.items() if size}
    newest = documents[-1][1] if documents else {}
    return Aims(
        outcomes=tuple(dict.fromkeys(str(goal["outcome"]) for goal in asked)),
        primary=next((_primary(document) for _, document in documents if _goals(document)), PERCEIVABLE),
        smallest=smallest,
        split_points={
            version.version: str(document.get("split_point", EARLIEST_SPLIT)) for version, document in documents
        },
        terms=tuple(dict.fromkeys(str(term) for _, document in documents for term in document.get("descriptors", ()))),
        pairs=tuple((str(pair["control"]), str(pair["treatment"])) for pair in newest.get("pairs") or ()),
    )


def _goals(document: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    return document.get("outcomes") or ()


def _primary(document: Mapping[str, Any]) -> str:
    goals = _goals(document)
    return str(next((goal for goal in goals if goal.get("primary")), goals[0])["outcome"])
