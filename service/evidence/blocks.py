"""The shapes that every part of an answer shares. What the rules withhold is null and stands in `withheld`."""

import math
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat


def _no_limit(value: object) -> None:
    """Turn "no limit" into the null that an answer has for it; what is not a number at all goes no further."""
    if not isinstance(value, float) or math.isnan(value):
        raise ValueError("not a number")


# Asked from left to right, so that our own code runs for none but the rare figure that isn't finite.
Figure = Annotated[FiniteFloat | Annotated[None, BeforeValidator(_no_limit)] | None, Field(union_mode="left_to_right")]
"""A number, or null where there is no limit or nothing may be said."""


LONGEST_LIST = 200
"""Of studies in one answer; the rest is paged."""


class Block(BaseModel):
    """A part of an answer, filled from the science by the names of its fields."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)


class Estimate(Block):
    """A value with its interval at 0.95; `high` is null where there is no upper limit or nothing may be said."""

    estimate: Figure
    low: Figure
    high: Figure


class Range(Block):
    """Two limits."""

    low: Figure
    high: Figure


class Withheld(Block):
    """An output that is not given, and why."""

    output: str = Field(description="Its place under this block, as a dotted path; several are parted by commas.")
    reason: str


class AnyTimeMean(Block):
    """The any-time t interval of a mean over households, and the evidence against no difference."""

    low: Figure
    high: Figure
    e_value: Figure


class NextHousehold(Block):
    """Where the next household's result is likely to fall."""

    low: Figure
    high: Figure
    convention: str


class SignCount(Block):
    """How many households went each way."""

    lower: int
    higher: int
    equal: int
    p_value: Figure


class TrialStudy(Block):
    """One study in a pool of blind trials."""

    label: str
    household: str
    method: str
    presented: int
    correct: int
    d_prime: Estimate
    proportion_discriminating: Estimate


class TrialStudyOfRecord(TrialStudy):
    """One replication's blind trials in the pool."""

    replication: str
    sealed: bool
    registered: bool
    flags: list[str]


class MeasuredStudy(Block):
    """One replication's measured difference."""

    replication: str
    household: str
    difference: float = Field(description="Treatment less control; of logarithms where the scale is `log_ratio`.")
    control_value: Figure
    treatment_value: Figure
    registered: bool
    flags: list[str]
