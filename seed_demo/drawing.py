"""The few ways in which the invented community's generator draws and writes a value."""

from typing import Any

from numpy.random import Generator

from seed_demo.truth import Spread

Document = dict[str, Any]
"""Plain values, as they stand in JSON."""


def normal(rng: Generator, spread: Spread) -> float:
    """Draw one household's value."""
    return float(rng.normal(spread.mean, spread.sd))


def happens(rng: Generator, share: float) -> bool:
    """Draw whether this household is one of a share."""
    return bool(rng.random() < share)


def one_of(rng: Generator, *choices: str) -> str:
    """Draw one of several, each as likely."""
    return choices[int(rng.integers(len(choices)))]


def to_mark(value: float, mark: float) -> float:
    """Round to the nearest mark of a scale."""
    return round(round(value / mark) * mark, 6)
