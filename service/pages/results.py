"""What a calculator answers, laid out for reading: rows of a name and a value, and tables where there are several."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.pages.fields import labelled, written
from service.pages.figures import figure
from service.pages.wording import words

_RANGE = {"estimate", "low", "high"}
_MOST_IN_A_ROW = 24
_MOST_ROWS = 200
_UNLIMITED = "no upper limit"
_NOT_SAID = {"reading"}


@dataclass(frozen=True, slots=True)
class Table:
    """Several things of one kind."""

    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    left_out: int


@dataclass(frozen=True, slots=True)
class Laid:
    """A result laid out."""

    rows: list[tuple[str, str]] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)


def laid_out(result: Mapping[str, Any]) -> Laid:
    """Lay a result out."""
    laid = Laid()
    _lay(laid, result, "")
    return laid


def _lay(laid: Laid, part: Mapping[str, Any], above: str) -> None:
    for key, value in part.items():
        name = f"{above}: {labelled(key).lower()}" if above else labelled(key)
        if key in _NOT_SAID:
            continue
        if isinstance(value, Mapping) and not _is_range(value):
            _lay(laid, value, name)
        elif isinstance(value, list) and value and all(isinstance(each, Mapping) for each in value):
            laid.tables.append(_table(name, value))
        else:
            laid.rows.append((name, said(key, value)))


def _is_range(value: Mapping[str, Any]) -> bool:
    return bool(value) and set(value) <= _RANGE


def said(key: str, value: object) -> str:
    """Write one value of a result."""
    match value:
        case None:
            return "none"
        case Mapping():
            return _range(key, value)
        case list():
            return _several(key, value)
        case str():
            return words(value)
        case _:
            return written(key, value)


def _range(key: str, value: Mapping[str, Any]) -> str:
    limits = f"{figure(value.get('low'))} to {figure(value.get('high'), _UNLIMITED)}"
    if "estimate" not in value:
        return limits
    best = "no best value" if value["estimate"] is None else written(key, value["estimate"])
    return f"{best} ({limits})"


def _several(key: str, values: Sequence[Any]) -> str:
    shown = ", ".join(said(key, value) for value in values[:_MOST_IN_A_ROW])
    more = len(values) - _MOST_IN_A_ROW
    return (shown or "none") + (f", and {more} more" if more > 0 else "")


def _table(name: str, items: Sequence[Mapping[str, Any]]) -> Table:
    cells = [dict(_cells(item, "")) for item in items[:_MOST_ROWS]]
    columns = list(dict.fromkeys(column for row in cells for column in row))
    rows = [[row.get(column, "") for column in columns] for row in cells]
    return Table(name, columns, rows, max(len(items) - _MOST_ROWS, 0))


def _cells(item: Mapping[str, Any], above: str) -> Iterator[tuple[str, str]]:
    for key, value in item.items():
        name = f"{above}: {labelled(key).lower()}" if above else labelled(key)
        if key in _NOT_SAID:
            continue
        if isinstance(value, Mapping) and not _is_range(value):
            yield from _cells(value, name)
        elif isinstance(value, list) and value and all(isinstance(each, Mapping) for each in value):
            yield name, "; ".join(" ".join(text for _, text in _cells(each, "")) for each in value)
        else:
            yield name, said(key, value)
