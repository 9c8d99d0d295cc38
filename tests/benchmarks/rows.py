"""A figure, and what it is held against."""

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Target:
    """What a figure should reach, or not pass."""

    value: float
    at_least: bool


def at_least(value: float) -> Target:
    return Target(value, at_least=True)


def at_most(value: float) -> Target:
    return Target(value, at_least=False)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure; `unit` "x" is a ratio to what `what` or `note` names."""

    what: str
    figure: float
    unit: str
    target: Target | None = None
    note: str = ""

    @property
    def met(self) -> bool | None:
        if self.target is None:
            return None
        return self.figure >= self.target.value if self.target.at_least else self.figure <= self.target.value

    @property
    def shown(self) -> str:
        return with_unit(self.figure, self.unit)

    @property
    def wanted(self) -> str:
        if self.target is None:
            return ""
        return ("≥ " if self.target.at_least else "≤ ") + with_unit(self.target.value, self.unit)

    @property
    def verdict(self) -> str:
        return {None: "", True: "met", False: "missed"}[self.met]

    def plain(self) -> dict[str, Any]:
        return asdict(self) | {"met": self.met}


def milliseconds(what: str, seconds: float, target: Target | None = None, note: str = "") -> Row:
    return Row(what, seconds * 1e3, "ms", target, note)


def with_unit(value: float, unit: str) -> str:
    """Write a figure with three digits that mean something."""
    number = grouped(value) if abs(value) >= 100 else f"{value:.3g}"
    return f"{number}{'' if unit in {'x', '/s'} else ' '}{unit}"


def grouped(value: float) -> str:
    """Write a whole number with its thousands apart."""
    return f"{value:,.0f}".replace(",", " ")
