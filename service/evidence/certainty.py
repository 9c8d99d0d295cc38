"""How sure the record is: a word by rule, with every reason listed."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from service.evidence.wording import TOLD_APART, households

Word = Literal["none", "single", "thin", "building", "solid"]
VERY_STRONG = 100.0
_ENOUGH_FOR_BUILDING = 5
_ENOUGH_FOR_SOLID = 8
_ENOUGH_IN_SUBSET = 5
_REPORTED = 0.9


@dataclass(frozen=True, slots=True)
class Claim:
    """What the primary outcome says, in the terms that the rule weighs.

    `unchanged` names each thing that a solid answer must survive, and whether it does.
    """

    replications: int
    households: int
    verdict: str
    e_value: float | None
    started: int
    reported: int
    in_registered_or_sealed: int
    batch_luck_open: bool
    unchanged: Mapping[str, bool]

    @property
    def told_apart(self) -> bool:
        """Whether the claim is "they can tell"."""
        return self.e_value is not None and self.e_value >= TOLD_APART

    @property
    def decided(self) -> bool:
        """Whether the primary outcome gives a verdict at all."""
        return self.told_apart or self.verdict != "cannot_tell_yet"


@dataclass(frozen=True, slots=True)
class Certainty:
    """The word and its reasons."""

    word: Word
    reasons: tuple[str, ...]


def certainty(claim: Claim) -> Certainty:
    """Apply the rule.

    Parameters
    ----------
    claim : Claim
        The primary outcome, unfiltered.

    """
    if claim.replications == 0:
        return Certainty("none", ("no replication has been submitted",))
    if claim.households == 1:
        return Certainty("single", ("one household has reported; it can't speak for the others",))
    reasons = [f"{households(claim.households)} reported"]
    if claim.households < _ENOUGH_FOR_BUILDING:
        needed = _ENOUGH_FOR_BUILDING
        return Certainty("thin", (*reasons, f"{households(needed)} are needed before an answer builds"))
    if not claim.decided:
        return Certainty("thin", (*reasons, "the any-time interval doesn't decide yet"))
    reasons.append(
        f"decided: evidence {claim.e_value:.3g} to 1 that they can tell"
        if claim.told_apart and claim.e_value is not None
        else f"decided by the any-time interval: {claim.verdict.replace('_', ' ')}"
    )
    missing = _missing_for_solid(claim)
    if missing:
        return Certainty("building", (*reasons, *(f"not solid: {reason}" for reason in missing)))
    kept = ", ".join(claim.unchanged)
    return Certainty("solid", (*reasons, f"unchanged by {kept}", "nine in ten starts were reported"))


def _missing_for_solid(claim: Claim) -> list[str]:
    missing = []
    if claim.households < _ENOUGH_FOR_SOLID:
        missing.append(f"{households(_ENOUGH_FOR_SOLID)} are needed")
    if claim.told_apart and claim.e_value is not None and claim.e_value < VERY_STRONG:
        missing.append("evidence of 100 to 1 is needed")
    if claim.in_registered_or_sealed < _ENOUGH_IN_SUBSET:
        count = households(claim.in_registered_or_sealed)
        missing.append(f"only {count} sealed or registered; {households(_ENOUGH_IN_SUBSET)} are needed")
    missing += [f"the answer changes by {name}" for name, holds in claim.unchanged.items() if not holds]
    if claim.reported < _REPORTED * claim.started:
        missing.append(f"{claim.reported} of {claim.started} starts were reported; nine in ten are needed")
    if claim.batch_luck_open:
        missing.append("batch luck is not excluded: too few households tasted two vessels of one arm")
    return missing
