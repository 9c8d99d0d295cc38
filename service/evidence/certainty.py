"""How sure the record is: a word by rule, with every reason listed."""

from dataclasses import dataclass
from typing import Literal

from service.evidence.claim import Claim
from service.evidence.counting import Counted
from service.evidence.wording import households
from service.science.plain_words import odds

Word = Literal["none", "single", "thin", "building", "solid"]
VERY_STRONG = 100.0
_ENOUGH_FOR_BUILDING = 5
_ENOUGH_FOR_SOLID = 8
_ENOUGH_IN_SUBSET = 5
_REPORTED_TENTHS = 9


@dataclass(frozen=True, slots=True)
class Certainty:
    """The word and its reasons."""

    word: Word
    reasons: tuple[str, ...]


def certainty(claim: Claim, counts: Counted, *, mark_set_late: bool = False) -> Certainty:
    """Apply the rule.

    Parameters
    ----------
    claim : Claim
        The primary outcome, unfiltered.
    counts : Counted
        What was started and reported.
    mark_set_late : bool
        Whether the size that matters was first named when a result was there already.

    """
    if counts.replications == 0:
        return Certainty("none", ("no submitted replication is in the answer",))
    reasons = [f"{households(counts.households)} reported"]
    if claim.households != counts.households:
        some = households(claim.households) if claim.households else "none of them"
        reasons.append(f"the primary outcome rests on {some}")
    if counts.households == 1:
        return Certainty("single", (*reasons, "one household can't speak for the others"))
    if claim.households < _ENOUGH_FOR_BUILDING:
        needed = households(_ENOUGH_FOR_BUILDING)
        return Certainty("thin", (*reasons, f"{needed} are needed before an answer builds"))
    if not claim.decided:
        return Certainty("thin", (*reasons, "the primary outcome isn't decided yet"))
    reasons.append(_decided_by(claim))
    missing = _missing_for_solid(claim, counts)
    if mark_set_late and not claim.shown:
        missing.append("the size that matters was named after the first result")
    if missing:
        return Certainty("building", (*reasons, *(f"not solid: {reason}" for reason in missing)))
    kept = ", ".join(claim.unchanged)
    return Certainty("solid", (*reasons, f"unchanged by {kept}", "nine in ten starts or more were reported"))


def _decided_by(claim: Claim) -> str:
    if claim.shown and claim.e_value is not None:
        return f"decided: evidence of {odds(claim.e_value)} that {claim.shows}"
    return f"decided by the any-time interval: {claim.verdict.replace('_', ' ')}"


def _missing_for_solid(claim: Claim, counts: Counted) -> list[str]:
    missing = []
    if claim.households < _ENOUGH_FOR_SOLID:
        missing.append(f"{households(_ENOUGH_FOR_SOLID)} are needed")
    if claim.shown and claim.e_value is not None and claim.e_value < VERY_STRONG:
        missing.append("evidence of 100 to 1 is needed")
    if claim.in_registered_or_sealed < _ENOUGH_IN_SUBSET:
        there, needed = households(claim.in_registered_or_sealed), households(_ENOUGH_IN_SUBSET)
        missing.append(f"{there} {claim.among}; {needed} are needed")
    missing += [f"the answer changes by {name}" for name, holds in claim.unchanged.items() if not holds]
    if 10 * counts.reported < _REPORTED_TENTHS * counts.started:
        missing.append(f"{counts.reported} of {counts.started} starts were reported; nine in ten are needed")
    if claim.batch_luck_open:
        missing.append("batch luck is not excluded")
    return missing
