"""What a calculator answers, laid out for reading: rows of a name and a value, and tables where there are several."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from service.pages.fields import labelled, written
from service.pages.figures import figure
from service.pages.wording import within, words

_RANGE = {"estimate", "low", "high"}
_MOST_IN_A_ROW = 24
_MOST_ROWS = 200
_OF_A_CURVE = 13
_UNLIMITED = "no upper limit"
# The template says these in its own way.
_NOT_SAID = {"reading"}
_NOT_AMONG_FIGURES = {"advice"}


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
        name = _name(above, key)
        if key in _NOT_SAID or (not above and key in _NOT_AMONG_FIGURES):
            continue
        if isinstance(value, Mapping) and not _is_range(value):
            if _is_nothing(value):
                laid.rows.append((name, "none"))
            else:
                _lay(laid, value, name)
        elif _are_rows(value):
            laid.tables.append(_curve(name, value) if key == "points" else _table(name, value))
        else:
            laid.rows.append((name, said(key, value)))


def _name(above: str, key: str) -> str:
    return f"{above}: {within(labelled(key))}" if above else labelled(key)


def _is_range(value: Mapping[str, Any]) -> bool:
    return bool(value) and set(value) <= _RANGE


def _are_rows(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(each, Mapping) for each in value)


def _is_nothing(part: Mapping[str, Any]) -> bool:
    """Whether a part has been left out as a whole: nothing in it, and something that could have been."""
    values = list(part.values())
    return None in _leaves(values) and not any(_leaves(values))


def _leaves(values: Sequence[Any]) -> Iterator[Any]:
    for value in values:
        if isinstance(value, Mapping):
            yield from _leaves(list(value.values()))
        else:
            yield value


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
    if value.get("low") is None and value.get("estimate") is None:
        return "none"
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
    single = [row for item in items for row in _spread(item)]
    cells = [dict(_cells(item, "")) for item in single[:_MOST_ROWS]]
    columns = list(dict.fromkeys(column for row in cells for column in row))
    rows = [[row.get(column, "") for column in columns] for row in cells]
    return Table(name, columns, rows, max(len(single) - _MOST_ROWS, 0))


def _spread(item: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Give each row within a row its own, beside what they share."""
    inner = next((key for key, value in item.items() if _are_rows(value)), None)
    if inner is None:
        return [item]
    shared = {key: value for key, value in item.items() if key != inner}
    return [{**shared, **each} for each in item[inner]]


def _curve(name: str, points: Sequence[Mapping[str, Any]]) -> Table:
    """Show a few points along a curve, the first and the last among them."""
    last = len(points) - 1
    few = min(_OF_A_CURVE, len(points))
    table = _table(name, [points[round(last * place / max(few - 1, 1))] for place in range(few)])
    return replace(table, left_out=len(points) - few)


def _cells(item: Mapping[str, Any], above: str) -> Iterator[tuple[str, str]]:
    for key, value in item.items():
        name = _name(above, key)
        if key in _NOT_SAID:
            continue
        if isinstance(value, Mapping) and not _is_range(value):
            yield from _cells(value, name)
        elif _are_rows(value):
            yield name, "; ".join(" ".join(_in_a_row(each)) for each in value)
        else:
            yield name, said(key, value)


def _in_a_row(item: Mapping[str, Any]) -> Iterator[str]:
    """Write one of several things in one cell: what it is, and not what it isn't."""
    for key, value in item.items():
        if isinstance(value, bool):
            yield from [key.removeprefix("is_")] if value else []
        else:
            yield said(key, value)
