"""Which arm finished first, where a vessel had not finished by the time its report was written."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.intake.documents import BatchDocument
from service.intake.outcomes import Waiting


@dataclass(frozen=True, slots=True)
class Finish:
    """How far one arm's vessels had come, in the outcome's unit.

    An arm has finished when its last vessel has: `at` is when that was, None while one is still going; `seen_going` is
    the latest time at which one was seen still going.
    """

    at: float | None
    seen_going: float | None
    vessels: int

    @classmethod
    def of(cls, batches: Sequence[BatchDocument], waiting: Waiting) -> "Finish | None":
        """Read an arm's vessels; None where none of them tells."""
        ends = [done for batch in batches if (done := waiting.done(batch)) is not None]
        going = [seen for batch in batches if (seen := waiting.still_going(batch)) is not None]
        if not ends and not going:
            return None
        return cls(None if going else max(ends), max(going) if going else None, len(ends) + len(going))


def finished_first(control: Finish, treatment: Finish) -> Literal["control", "treatment"] | None:
    """Say which arm finished first: the one done while the other was seen still going; None where that isn't known."""
    if control.at is not None and control.at <= (treatment.seen_going or -math.inf):
        return "control"
    if treatment.at is not None and treatment.at <= (control.seen_going or -math.inf):
        return "treatment"
    return None
