"""What an answer says of blind trials."""

from dataclasses import dataclass
from typing import Literal

from service.evidence.wording import TOLD_APART, evidence, households, in_100, score

NOT_TASTED = "No blind trial that counts has been reported yet."
_FEW = 5
"""Households below which "they can tell" would speak for tasters who never tasted."""
BATCH_LUCK = "The two batches can be told apart; batch luck is not excluded."


@dataclass(frozen=True, slots=True)
class TastedFigures:
    """The figures that a sentence about blind trials is made of.

    `low` and `high` are the any-time limits of the proportion discriminating, or those of the mean d' where several
    methods are pooled; `at_most` is the largest proportion that the counts leave open by themselves.
    `rests_on_one` says that without one household the evidence would show nothing.
    `luck` is "open" where batch luck could explain what was tasted, "shown" where sham trials were told apart.
    """

    households: int
    correct: int
    presentations: int
    expected: float
    e_value: float
    discriminating: float | None
    d_prime: float | None
    low: float | None
    high: float | None
    at_most: float | None
    smallest_that_matters: float
    verdict: str
    rests_on_one: bool
    below_chance: bool
    luck: Literal["open", "shown", "excluded"]

    @property
    def told_apart(self) -> bool:
        """Whether the record may say that they can tell."""
        return self.e_value >= TOLD_APART

    @property
    def score(self) -> str:
        """How many were right, beside what guessing gives."""
        return score(self.correct, self.presentations, self.expected)


def tasted_answer(figures: TastedFigures, control: str, treatment: str) -> str:
    """Answer a question about what can be tasted.

    Parameters
    ----------
    figures : TastedFigures
        From the pooled trials.
    control, treatment : str
        The arms' labels.

    """
    if figures.households == 0:
        return NOT_TASTED
    if figures.households == 1:
        return f"One household has tasted so far: {figures.score}. One household can't speak for the others."
    over = f"over {households(figures.households)} tasters were {figures.score}"
    if figures.told_apart:
        few = figures.households < _FEW or figures.rests_on_one
        pair = f"“{treatment}” from “{control}”"
        who = f"Somebody can tell {pair} blind" if few else f"Blind tasters can tell {pair}"
        said = f"{who}: {over}; {_size(figures)}. {_beyond(figures)}"
    elif figures.below_chance:
        said = (
            f"Not known yet whether blind tasters can tell “{treatment}” from “{control}”: {over}. That is clearly "
            "below guessing: check the key, the codes and the instructions first."
        )
    elif figures.verdict == "practically_the_same":
        said = (
            f"Blind tasters find “{treatment}” and “{control}” practically the same: {over}. On average fewer than "
            f"{_mark(figures)} servings can be told apart, and that many was the mark for a difference that matters."
        )
    elif figures.verdict in {"bigger_than_matters", "real_but_may_be_too_small"}:
        said = (
            f"Blind tasters seem to tell “{treatment}” from “{control}”: {over}; {_size(figures)}. The range that may "
            f"be read at any time lies above guessing. {evidence(figures.e_value)}."
        )
    else:
        said = (
            f"Not known yet whether blind tasters can tell “{treatment}” from “{control}”: {over}. "
            f"{evidence(figures.e_value)}{_at_most(figures)}."
        )
    return said


def tasted_beside(figures: TastedFigures) -> str:
    """Say, beside a measured answer, whether anyone could taste it."""
    if figures.households == 0:
        return "Nobody has tasted it blind."
    if figures.told_apart:
        return f"It can be tasted: tasters were {figures.score}."
    return f"It was not shown to be tasted: tasters were {figures.score}."


def _mark(figures: TastedFigures) -> str:
    return f"{in_100(figures.smallest_that_matters)} in 100"


def _at_most(figures: TastedFigures) -> str:
    if figures.at_most is None:
        return ""
    return f"; up to {in_100(figures.at_most)} in 100 servings could truly be told apart"


def _size(figures: TastedFigures) -> str:
    low, high = figures.low, figures.high
    if figures.discriminating is not None:
        said = f"about {in_100(figures.discriminating)} in 100 servings were truly told apart"
        if low is None or high is None or (low <= 0.0 and high >= 1.0):
            return said
        return f"{said} (range {in_100(low)} to {in_100(high)})"
    if figures.d_prime is None:
        return "by several methods, or so clearly that no size can be named"
    said = f"on the scale that their methods share, d' averages {figures.d_prime:.1f}"
    return said if low is None or high is None else f"{said} (range {low:.1f} to {high:.1f})"


def _beyond(figures: TastedFigures) -> str:
    """Say what else could explain it, or how it stands to what matters."""
    if figures.luck == "shown":
        return "Two vessels of one arm were told apart as well, so that batch luck may be all there is."
    if figures.luck == "open":
        return BATCH_LUCK
    mark = _mark(figures)
    match figures.verdict:
        case "bigger_than_matters":
            return f"That is above {mark}, the mark for a difference that matters; different is not better."
        case "practically_the_same":
            return f"It is below {mark}, the mark for a difference that matters."
        case _ if figures.discriminating is None:
            return "Different is not better."
        case _:
            return (
                f"Whether it reaches {mark}, the mark for a difference that matters, is open; different is not better."
            )
