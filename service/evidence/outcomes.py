"""How each measured outcome is pooled and said: a new one is one row here (and one in intake, which reads it)."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Scale = Literal["difference", "log_ratio", "yes_no"]


@dataclass(frozen=True, slots=True)
class OutcomeWords:
    """One measured outcome, in the words and the figures that an answer gives it."""

    name: str
    title: str
    unit: str
    decimals: int
    lower: str
    higher: str
    scale: Scale = "difference"
    smallest_that_matters: float | None = None

    def figure(self, value: float) -> str:
        """Write a size (without its sign) with the outcome's decimals and unit."""
        return f"{abs(value):.{self.decimals}f}{' ' + self.unit if self.unit else ''}"


def _table(*rows: OutcomeWords) -> Mapping[str, OutcomeWords]:
    return {row.name: row for row in rows}


MEASURED = _table(OutcomeWords("final_sg", "final gravity", "", 4, "finished lower", "finished higher"))


def words_for(name: str) -> OutcomeWords:
    """Find an outcome's words; one that only a protocol knows is said by its own name."""
    plain = name.replace("_", " ")
    return MEASURED.get(name) or OutcomeWords(name, plain, "", 3, f"was lower in {plain}", f"was higher in {plain}")
