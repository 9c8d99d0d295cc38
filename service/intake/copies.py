"""When a replication is a copy of another one, or nearly one: a flag says so, and nothing is refused for it.

A copy has the same content, free text aside. A near-copy has the same figures, each to what a kitchen's instruments can
tell apart, whatever its notes, names, conditions and days say, in whatever order its rows stand and whoever sent it.

Two honest households can agree by chance, so figures are compared only where a document holds six results or more
(`FEWEST_RESULTS`): final gravities, days, readings, measured values, fractions, counts of answers. What a recipe or
a plan sets (volumes, original gravities, sets presented) must agree too, and makes nobody suspect. A result that is
read to such steps falls into at least four places that are about as likely: final gravities of one recipe scatter over
some ten steps of 0.001, right answers in a dozen over some six counts. Where results are independent, six agree by
chance in at most one of 4⁶ = 4 096 pairs: of honest documents among two hundred others fewer than one in twenty is
marked, and each further result makes that four times rarer. A judgement, not a test: a steward looks at both.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from typing import Any, Literal

from service.record.canonical import Ordered, fingerprint

Likeness = Literal["none", "near", "same"]

FEWEST_RESULTS = 6
BEGINNING = 32
"""So many characters of a fingerprint are about the figures; the rest is about the whole content."""

_FREE_TEXT = frozenset({"kitchen", "notes", "plan", "state", "suspected_confounds"})
_NAMES_AN_ARM_OR_METHOD = frozenset({"arm", "method", "control", "treatment"})
_RESULTS = frozenset(
    {
        *("final_sg", "days_to_finish", "still_going_at_days", "sg", "correct"),
        *("control", "treatment", "both", "only_control", "only_treatment"),
    }
)
_ALL_RESULTS_WITHIN = frozenset({"measured", "fractions"})
_STEPS = (("sg", Decimal("0.001")), ("_c", Decimal(1)), ("_percent", Decimal(1)))
_SIGNIFICANT = 2


def print_of(stored: Mapping[str, Any], in_order: Mapping[str, Any] | None = None) -> str:
    """Fingerprint a document: one that begins alike has the same figures, one that is alike has the same content.

    Parameters
    ----------
    stored : mapping
        A document as it is stored.
    in_order : mapping or None
        What `ordered` makes of it, where that is at hand.

    """
    whole = fingerprint(distinguishing(stored if in_order is None else in_order))
    figures = _Figures()
    written = figures.of({name: stored[name] for name in ("batches", "trials") if name in stored}) or ""
    if figures.results < FEWEST_RESULTS:
        return whole
    return hashlib.sha256(written.encode()).hexdigest()[:BEGINNING] + whole[BEGINNING:]


def likeness(print_: str, others: set[str]) -> Likeness:
    """Say how alike a document is to those whose fingerprints begin as its own does."""
    if print_ in others:
        return "same"
    return "near" if others else "none"


def distinguishing(stored: Mapping[str, Any]) -> dict[str, Any]:
    """Return what tells two tries apart: without free text, which anybody can vary, and without where it stands."""
    kept = {key: value for key, value in stored.items() if key not in _FREE_TEXT}
    if type(stored) is Ordered:
        kept = Ordered(kept)
    if "batches" in kept:
        kept["batches"] = [
            {key: value for key, value in batch.items() if key not in _FREE_TEXT} for batch in kept["batches"]
        ]
    return kept


@dataclass(slots=True)
class _Figures:
    """Reads the figures of a document, and counts the results among them."""

    results: int = 0

    def of(self, value: Any, name: str = "", *, within: bool = False) -> str | None:  # noqa: ANN401  # any JSON value
        """Write the numbers and whose they are as JSON: rounded, rows and keys sorted, without what is empty."""
        kind = type(value)
        if kind is float or kind is int:
            self.results += within or name in _RESULTS
            return _rounded(value, name) if kind is float else repr(value)
        if kind is str:
            return _quoted(value) if name in _NAMES_AN_ARM_OR_METHOD else None
        if kind is dict:
            parts = []
            for key, each in sorted(value.items()):
                if type(each) is float:
                    self.results += within or key in _RESULTS
                    part: str | None = _rounded(each, key)
                elif type(each) is str and key not in _NAMES_AN_ARM_OR_METHOD:
                    continue
                else:
                    part = self.of(each, key, within=within or key in _ALL_RESULTS_WITHIN)
                if part is not None:
                    parts.append(f"{_quoted(key)}:{part}")
            return f"{{{','.join(parts)}}}" if parts else None
        if kind is list:
            rows = [row for each in value if (row := self.of(each, name, within=within)) is not None]
            return f"[{','.join(sorted(rows))}]" if rows else None
        return None


_quoted = lru_cache(maxsize=1024)(json.JSONEncoder(ensure_ascii=False).encode)


@lru_cache(maxsize=16_384)  # what instruments show is often the same
def _rounded(value: float, name: str) -> str:
    """Write, in quotes, a number rounded half up as people do on paper: what was rounded before comes out the same."""
    exact = Decimal(repr(value + 0.0))  # there is no nought below nought
    step = next((step for ending, step in _STEPS if name.endswith(ending)), None)
    if step is None:
        step = Decimal(1).scaleb(exact.adjusted() + 1 - _SIGNIFICANT) if exact else Decimal(1)
    return f'"{(exact / step).quantize(Decimal(1), ROUND_HALF_UP) * step}"'
