"""Every outcome of what was collected, pooled, and the claim of the primary one."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.evidence.aims import DESCRIPTORS, DRYNESS, PERCEIVABLE, PREFERENCE, TASTED
from service.evidence.beside_blocks import Descriptor
from service.evidence.claim import Claim, undecided
from service.evidence.collect import Collected
from service.evidence.dryness import Dry, dry
from service.evidence.measured import MeasuredOutcome, measured
from service.evidence.outcomes import MEASURED
from service.evidence.perceivable import Tasted, tasted
from service.evidence.preferred import Preferred, preferred
from service.evidence.ticked import ticked

ALWAYS = "final_sg"


@dataclass(frozen=True, slots=True)
class Found:
    """What each outcome shows."""

    primary: str
    trials: Tasted
    liking: Preferred | None
    words: list[Descriptor]
    measured: Mapping[str, MeasuredOutcome]
    dryness: Dry | None

    @property
    def claim(self) -> Claim:
        """What the primary outcome says."""
        if self.primary == PERCEIVABLE:
            return self.trials.claim()
        if self.primary == PREFERENCE:
            return undecided(0, 0) if self.liking is None else self.liking.claim()
        if self.primary == DRYNESS:
            return undecided(0, 0) if self.dryness is None else self.dryness.claim()
        if self.primary == DESCRIPTORS:
            return undecided(max((word.households for word in self.words), default=0), 0)
        return self.measured[self.primary].claim()


def look_into(collected: Collected) -> Found:
    """Pool every outcome that a protocol names or a replication reports."""
    return Found(
        primary=collected.primary,
        trials=tasted(collected),
        liking=preferred(collected),
        words=ticked(collected),
        measured={name: measured(collected, name) for name in _measured_names(collected)},
        dryness=dry(collected),
    )


def _measured_names(collected: Collected) -> list[str]:
    """List the measured outcomes: the primary first, then those asked for, then those reported."""
    asked = [collected.primary, *collected.aims.outcomes]
    reported = [name for name in MEASURED if collected.rows.says("outcome", name).any()]
    return [name for name in dict.fromkeys([*asked, ALWAYS, *reported]) if name not in {*TASTED, DRYNESS}]
