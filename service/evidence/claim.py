"""What the primary outcome says, in the terms that the certainty rule weighs."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.evidence.wording import TOLD_APART

CANNOT_TELL = "cannot_tell_yet"


@dataclass(frozen=True, slots=True)
class Claim:
    """One outcome's claim.

    `shows` is what evidence of 20 to 1 would show, for outcomes that claim by evidence: "they can tell".
    `unchanged` names each thing that a solid answer must survive, and whether it does. `among` says which households
    count as promised beforehand, and `in_registered_or_sealed` how many there are.
    """

    households: int
    verdict: str
    e_value: float | None
    shows: str
    among: str
    in_registered_or_sealed: int
    batch_luck_open: bool
    unchanged: Mapping[str, bool]

    @property
    def shown(self) -> bool:
        """Whether the evidence shows the difference."""
        return self.e_value is not None and self.e_value >= TOLD_APART

    @property
    def decided(self) -> bool:
        """Whether the primary outcome is decided at all."""
        return self.shown or self.verdict != CANNOT_TELL


def undecided(households: int, registered: int) -> Claim:
    """Make the claim of an outcome that can lead, and can't decide."""
    return Claim(
        households=households,
        verdict=CANNOT_TELL,
        e_value=None,
        shows="",
        among="registered",
        in_registered_or_sealed=registered,
        batch_luck_open=False,
        unchanged={},
    )
