"""How numbers and moments are written on a page."""

import math
from datetime import UTC, datetime

from service.intake.outcomes import outcome_named
from service.science.plain_words import chance, odds, servings, whole

MINUS = "−"
NOTHING = "–"
_NO_BREAK = "\u00a0"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def figure(value: float | None, nothing: str = NOTHING) -> str:
    """Write a number with four figures that count, and a minus that is one."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None or not math.isfinite(value):
        return nothing
    text = _size(abs(value), whole_number=isinstance(value, int))
    return f"{MINUS}{text}" if value < 0 else text


def _size(size: float, *, whole_number: bool) -> str:
    if whole_number or 10_000 <= size < 1e9:
        return whole(size)
    if size == 0:
        return "0"
    if size >= 1e9 or size < 1e-5:
        mantissa, exponent = f"{size:.2e}".split("e")
        return f"{mantissa} × 10{str(int(exponent)).translate(_RAISED)}"
    text = f"{size:.{max(3 - math.floor(math.log10(size)), 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def signed(value: float | None, places: int = 4) -> str:
    """Write a difference with its sign."""
    if value is None or not math.isfinite(value):
        return "open"
    text = f"{abs(value):.{places}f}"
    if float(text) == 0:
        return text
    return f"{MINUS if value < 0 else '+'}{text}"


def gravity(value: float | None) -> str:
    """Write a specific gravity with the places that a hydrometer has."""
    return NOTHING if value is None else f"{value:.4f}".removesuffix("0")


def share(value: float | None) -> str:
    """Write a proportion as servings of a hundred."""
    return "open" if value is None else servings(value)


def chance_of(value: float | None) -> str:
    """Write a probability as a person would say it."""
    return NOTHING if value is None else chance(value)


def odds_of(value: float | None) -> str:
    """Write an e-value as odds."""
    if value is None:
        return "beyond counting"
    return (odds(value) if value >= 1 else "less than 1 to 1").replace(" to ", f"{_NO_BREAK}to{_NO_BREAK}")


def places(name: str) -> int:
    """How many decimals an outcome's differences are written with."""
    return 4 if name.endswith("_sg") else 2


def outcome_difference(value: float, name: str) -> str:
    """Write one replication's difference as its outcome's unit has it; a ratio as how many times."""
    if outcome_named(name).scale == "log_ratio":
        return f"× {figure(math.exp(value))}"
    return signed(value, places(name))


def measured(value: float | bool | None, name: str) -> str:  # noqa: FBT001  a yes or no is one of the values
    """Write one arm's value of an outcome; without one, the arm had not come to it when it was reported."""
    if value is None:
        return "still going"
    return gravity(value) if name.endswith("_sg") else figure(value)


def grams(value: float) -> str:
    """Write an amount of alcohol, which nobody knows to better than a tenth of a gram."""
    return f"{value:.1f} g" if 0 < value < 10 else f"{value:.0f} g"


def shown(value: object) -> str:
    """Write a value that can be text, a number, or true or false."""
    return figure(value) if isinstance(value, (int, float)) else str(value)


def moment(value: str | datetime | None) -> str:
    """Write an instant, in UTC."""
    at = _read(value)
    return "" if at is None else f"{at.day} {at:%B %Y, %H:%M} UTC"


def day(value: str | datetime | None) -> str:
    """Write a day."""
    at = _read(value)
    return "" if at is None else f"{at.day} {at:%B %Y}"


def _read(value: str | datetime | None) -> datetime | None:
    if value is None or isinstance(value, datetime):
        return value
    try:
        at = datetime.fromisoformat(value)
    except ValueError:
        return None
    return at.astimezone(UTC) if at.tzinfo else at
