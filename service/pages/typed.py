"""What was typed into a form, by dotted places; and a document written as it would be typed."""

import json
import re
from collections.abc import Mapping
from typing import Any

Typed = Mapping[str, str]
_WHOLE = 1e15


def typed_of(document: Mapping[str, Any], above: str = "") -> dict[str, str]:
    """Write a document as it would be typed into its form."""
    typed: dict[str, str] = {}
    for key, value in document.items():
        name = f"{above}.{key}" if above else str(key)
        if isinstance(value, Mapping):
            typed |= typed_of(value, name)
        elif isinstance(value, list) and all(isinstance(part, Mapping) for part in value) and value:
            for index, part in enumerate(value):
                typed |= typed_of(part, f"{name}.{index}")
        elif isinstance(value, list):
            between = "\n" if any(isinstance(part, str) for part in value) else ", "
            typed[name] = between.join(typed_as(part) for part in value)
        elif value is not None:
            typed[name] = _gravity(value) if name.endswith("sg") else typed_as(value)
    return typed


def _gravity(value: object) -> str:
    """Write a gravity with the three places that a hydrometer has, where that is all of it."""
    plain = typed_as(value)
    return f"{float(plain):.3f}" if re.fullmatch(r"\d\.\d{1,3}", plain) else plain


def typed_as(value: object) -> str:
    """Write one value as it would be typed."""
    if isinstance(value, float) and value.is_integer() and abs(value) < _WHOLE:
        return str(int(value))
    return json.dumps(value) if isinstance(value, (bool, int, float)) else str(value)


def rows_typed(typed: Typed, name: str) -> list[int]:
    """List the rows at a place in which something was typed."""
    start = f"{name}."
    found = {
        each.removeprefix(start).partition(".")[0]
        for each, text in typed.items()
        if each.startswith(start) and text.strip()
    }
    return sorted(int(index) for index in found if index.isascii() and index.isdigit() and len(index) < 4)


def without_blank_rows(typed: Typed) -> dict[str, str]:
    """Close up the rows that were left empty, so that a fault in the document is beside the row it came from."""
    moved: dict[str, str] = {}
    for name, text in typed.items():
        steps = name.split(".")
        for place, step in enumerate(steps):
            if step.isascii() and step.isdigit() and len(step) < 4:
                filled = rows_typed(typed, ".".join(name.split(".")[:place]))
                steps[place] = str(filled.index(int(step))) if int(step) in filled else ""
        if "" not in steps:
            moved[".".join(steps)] = text
    return moved
