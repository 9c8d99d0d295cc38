"""How each measured outcome is pooled and said: a new one is one row here (and one in intake, which reads it)."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Scale = Literal["difference", "log_ratio"]


@dataclass(frozen=True, slots=True)
class OutcomeWords:
    """One measured outcome, in the words and the figures that an answer gives it.

    `less` and `more` say what the treatment did, around a size: "finished {} lower". On a scale of `log_ratio` values
    are logarithms of treatment over control, and sizes are said in per cent.
    """

    name: str
    title: str
    unit: str
    decimals: int
    less: str
    more: str
    scale: Scale = "difference"

    def size(self, value: float) -> str:
        """Write how far apart a value on the scale is, without its sign."""
        if self.scale == "log_ratio":
            return f"{abs(_percent(value)):.0f} %"
        return f"{abs(value):.{self.decimals}f}{self._said_unit}"

    def signed(self, value: float) -> str:
        """Write a value on the scale with its sign."""
        if self.scale == "log_ratio":
            return _signed(_percent(value), 0) + " %"
        return _signed(value, self.decimals)

    def mark(self, value: float) -> str:
        """Write the smallest difference that matters, which is given in the outcome's unit."""
        return f"{value:.{self.decimals}f}{self._said_unit}"

    def moved(self, value: float, *, on_average: bool = True) -> str:
        """Say what the treatment did, ready to be followed by the control."""
        size = self.size(value)
        average = " on average" if on_average else ""
        if not any(digit in size for digit in "123456789"):
            return f"came out level{average} with"
        return f"{(self.less if value < 0 else self.more).format(size)}{average} than"

    @property
    def _said_unit(self) -> str:
        if self.unit in {"", "SG", "pH"}:
            return ""
        return " percentage points" if self.unit == "%" else f" {self.unit}"


def _percent(value: float) -> float:
    return 100.0 * math.expm1(value)


def _signed(value: float, decimals: int) -> str:
    """Write a number with its sign; what rounds to nothing has none."""
    written = f"{abs(value):.{decimals}f}"
    if not any(digit in written for digit in "123456789"):
        return written
    return f"{'−' if value < 0 else '+'}{written}"


def _table(*rows: OutcomeWords) -> Mapping[str, OutcomeWords]:
    return {row.name: row for row in rows}


MEASURED = _table(
    OutcomeWords("final_sg", "final gravity", "SG", 4, "finished {} lower", "finished {} higher"),
    OutcomeWords(
        "apparent_attenuation_percent",
        "apparent attenuation",
        "%",
        1,
        "attenuated {} less",
        "attenuated {} more",
    ),
    OutcomeWords("abv_percent", "alcohol", "% vol", 2, "came to {} less", "came to {} more"),
    OutcomeWords(
        "days_to_finish", "days to finish", "days", 1, "took {} less time", "took {} more time", scale="log_ratio"
    ),
    OutcomeWords(
        "pure_alcohol_l_per_kg",
        "pure alcohol for the extract",
        "L/kg",
        3,
        "gave {} less pure alcohol for its extract",
        "gave {} more pure alcohol for its extract",
        scale="log_ratio",
    ),
    OutcomeWords("ph_end", "pH at the end", "pH", 2, "ended {} lower in pH", "ended {} higher in pH"),
)


def words_for(name: str) -> OutcomeWords:
    """Find an outcome's words; one that only a protocol knows is said by its own name."""
    plain = name.replace("_", " ")
    own = OutcomeWords(name, plain, "", 3, f"was {{}} lower in {plain}", f"was {{}} higher in {plain}")
    return MEASURED.get(name) or own
