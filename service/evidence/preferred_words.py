"""What an answer says of liking."""

from dataclasses import dataclass

from service.evidence.wording import TOLD_APART, capital, households, in_100, labelled
from service.science.plain_words import counted, times

_EVEN = 0.5


@dataclass(frozen=True, slots=True)
class PreferredFigures:
    """The figures that a sentence about liking is made of; `low` and `high` are of the any-time interval."""

    households: int
    control: int
    treatment: int
    neither: int
    share: float | None
    low: float | None
    high: float | None
    e_value: float | None
    lean_control: int
    lean_treatment: int
    primary: bool

    @property
    def leans(self) -> bool:
        """Whether the record may say that one arm is liked better."""
        return self.e_value is not None and self.e_value >= TOLD_APART


def preferred_answer(figures: PreferredFigures, control: str, treatment: str) -> str:
    """Answer a question about liking.

    Parameters
    ----------
    figures : PreferredFigures
        Of the households' shares.
    control, treatment : str
        The arms' labels.

    """
    if figures.share is None:
        return "Nobody has said yet which is liked better."
    who = households(figures.households)
    counts = f"“{treatment}” was preferred {times(figures.treatment)} and “{control}” {times(figures.control)}"
    if figures.households == 1:
        return f"One household has reported: {counts}. One household can't speak for the others."
    if figures.leans:
        liked, less = (treatment, control) if figures.share > _EVEN else (control, treatment)
        return f"“{liked}” is liked better than “{less}”: over {who}, blind, {counts}."
    return f"Not known yet which is liked better: over {who}, blind, {counts}{_open(figures)}."


def _open(figures: PreferredFigures) -> str:
    if figures.low is None or figures.high is None:
        return ""
    low, high = max(figures.low, 0.0), min(figures.high, 1.0)
    return f"; the share that prefers the treatment could be anything from {in_100(low)} to {in_100(high)} in 100"


def preferred_reading(figures: PreferredFigures) -> str:
    """Say what the preferences show, and what they don't."""
    if figures.share is None:
        return labelled("Nobody gave a preference.", primary=figures.primary)
    who = households(figures.households)
    sentences = [
        f"{capital(who)}: the treatment was preferred {times(figures.treatment)}, the control "
        f"{times(figures.control)}, neither {times(figures.neither)}; on average over households "
        f"{in_100(figures.share)} in 100 preferences go to the treatment."
    ]
    if figures.households > 1:
        sentences.append(
            f"Of {who} {counted(figures.lean_treatment)} leaned to the treatment and {counted(figures.lean_control)} "
            f"to the control."
        )
    if figures.leans:
        which = "treatment" if figures.share > _EVEN else "control"
        sentences.append(f"The {which} is liked better, by evidence that may be read at any time.")
    else:
        sentences.append("No preference is shown, and none is ruled out.")
    return labelled(" ".join(sentences), primary=figures.primary)
