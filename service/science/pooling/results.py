"""The shapes that pooled results share. None stands for what the rules withhold; infinity for no upper limit."""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Range:
    """Two limits."""

    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimate between two limits."""

    estimate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Withheld:
    """An output that is not given, and why."""

    output: str
    reason: str


class AnyRange(Protocol):
    """Anything with two limits."""

    @property
    def low(self) -> float | None:
        """The lower limit."""

    @property
    def high(self) -> float | None:
        """The upper limit."""


NOTHING = Estimate(None, None, None)
NO_RANGE = Range(None, None)
