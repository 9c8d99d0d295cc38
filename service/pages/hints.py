"""What a model says of one of its fields, as a form tells it."""

import re
from collections.abc import Sequence

from service.pages.prose import prose
from service.pages.schema import QUANTITY, Kind, Node, Schema
from service.pages.typed import typed_as
from service.pages.wording import choice

_ELSEWHERE = "; by POST alone"
"""What is said to programs, and is not so of a form."""
_NAME = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b")
_A_MOMENT = "2026-05-01T18:00+02:00, with the hours from UTC"


def hint_of(schema: Schema, node: Node) -> str:
    """Write what is said of a field, with an example where it takes text."""
    said = node.get("description") or next((c["description"] for c in schema.choices(node) if _says(c)), "")
    usual = next((value for value in node.get("examples", ()) if isinstance(value, str)), _moment(schema, node))
    example = f" For example: {usual}." if usual and schema.kind(node) == "text" else ""
    return f"{_spoken(said, schema, node)}{example}".strip()


def _spoken(said: str, schema: Schema, node: Node) -> str:
    """Write what is said of a field as people would: the words that it takes as the choices show them."""
    taken = [value for each in schema.choices(node) for value in each.get("enum", ()) if "_" in str(value)]
    for value in sorted(taken, key=len, reverse=True):
        said = said.replace(str(value), choice(str(value)))
    spoken = prose(said.replace("`", "").replace(_ELSEWHERE, "").replace("assessor", "taster"))
    return _NAME.sub(lambda found: choice(found[0]), spoken)


_ROWS = re.compile(r"list should have at (least|most) (\d+) items? after validation, not \d+")
_LIMITS = (
    ("less than or equal to", "at most"),
    ("greater than or equal to", "at least"),
    ("greater than", "more than"),
)


def mend_of(detail: str) -> str:
    """Write what is wrong with a value as people would."""
    rows = _ROWS.fullmatch(detail)
    if rows:
        return f"fill in at {rows[1]} {rows[2]}"
    if not detail.startswith("input should be "):
        return prose(detail)
    said = detail.removeprefix("input ")
    return next((said.replace(bounds, plain) for bounds, plain in _LIMITS if bounds in said), said)


def _moment(schema: Schema, node: Node) -> str:
    return _A_MOMENT if any(each.get("format") == "date-time" for each in schema.choices(node)) else ""


def _says(node: Node) -> bool:
    text = node.get("description", "")
    return bool(text) and not text.startswith(QUANTITY)


def usual_of(node: Node) -> str:
    """Write what stands for a field that is left empty."""
    default = node.get("default")
    if default is None or isinstance(default, (list, dict)):
        return ""
    return typed_as(default)


def choices_of(schema: Schema, node: Node, kind: Kind) -> Sequence[tuple[str, str]]:
    """List the words that a field takes, each as it is sent and as it is shown."""
    if kind == "yes_no":
        return [("true", "yes"), ("false", "no")]
    found = [value for each in schema.choices(node) for value in each.get("enum", ())]
    return [(str(value), choice(str(value))) for value in found]
