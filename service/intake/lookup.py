"""Where a name that a protocol uses is found on a batch."""

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from pydantic import BaseModel

from service.intake.documents import BatchDocument

_NAME = re.compile(r"(?:spirit\.|package\.|measured\.)?[a-z][a-z0-9_]{0,63}", re.ASCII)
_NOT_CONDITIONS = frozenset({"arm", "batch", "notes"})

Value = bool | int | float | str


def named_fields(measurements: Iterable[str]) -> list[str]:
    """Return the entries of a protocol's `measurements` that name a field; the others are instructions to read."""
    return [entry for entry in measurements if _names_a_field(entry)]


@lru_cache(maxsize=1024)  # each of a question's documents asks for the same ones
def _names_a_field(entry: str) -> bool:
    return _NAME.fullmatch(entry) is not None


def is_recorded(batch: BatchDocument, name: str) -> bool:
    """Whether a batch gives a field, by its name or `part.name`."""
    part, _, rest = name.rpartition(".")
    if part == "measured":
        return rest in batch.measured
    parts: dict[str, BaseModel | None] = {"spirit": batch.spirit, "package": batch.package}
    holders = [parts[part]] if part else _holders(batch)
    if any(_field(holder, rest) not in (None, [], {}, "") for holder in holders):
        return True
    return not part and rest in batch.measured


def value_of(batch: BatchDocument, key: str, conditions: Mapping[str, Value]) -> Value | None:
    """Return what a condition was on a batch: looked up on the batch, in `measured`, in its parts, then at the top."""
    if key in batch.measured and _field(batch, key) is None:
        return batch.measured[key]
    if key not in _NOT_CONDITIONS:
        for holder in _holders(batch):
            found = _field(holder, key)
            if isinstance(found, (bool, int, float, str)):
                return found
    return conditions.get(key)


def _holders(batch: BatchDocument) -> list[BaseModel | None]:
    return [batch, batch.spirit, batch.package]


def _field(holder: BaseModel | None, name: str) -> Any:  # noqa: ANN401  whatever the field holds
    # A model's own dictionary has its fields and none of its properties.
    return None if holder is None else vars(holder).get(name)
