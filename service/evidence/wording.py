"""What an answer says aloud: one or two sentences, true of the numbers, and never more than they show."""

from dataclasses import dataclass

from service.evidence.outcomes import OutcomeWords
from service.science.plain_words import average, counted, servings, times, whole

NOTHING_YET = "No replication has been reported yet."
BATCH_LUCK = "The two batches can be told apart; batch luck is not excluded."
TOLD_APART = 20.0
"""The e-value from which "they can tell" is said (Ville 1939: at most 1 chance in 20 by luck, over all looks)."""


@dataclass(frozen=True, slots=True)
class TastedFigures:
    """The figures that a sentence about blind trials is made of."""

    households: int
    correct: int
    presentations: int
    expected: float
    e_value: float
    evidence_words: str
    discriminating: float | None
    low: float | None
    high: float | None
    smallest_that_matters: float
    verdict: str
    batch_luck_open: bool

    @property
    def told_apart(self) -> bool:
        """Whether the record may say that they can tell."""
        return self.e_value >= TOLD_APART


@dataclass(frozen=True, slots=True)
class MeasuredFigures:
    """The figures that a sentence about a measured outcome is made of."""

    households: int
    estimate: float | None
    low: float | None
    high: float | None
    smallest_that_matters: float | None
    verdict: str


def households(number: int) -> str:
    """Spell out how many households."""
    return f"{counted(number)} household{'s' if number != 1 else ''}"


def score(figures: TastedFigures) -> str:
    """Say how many were right, beside what guessing gives."""
    return (
        f"right {times(figures.correct)} in {whole(figures.presentations)}, where guessing averages "
        f"{average(figures.expected)}"
    )


def range_of_servings(figures: TastedFigures) -> str:
    """Say the share of servings truly told apart, with its range."""
    if figures.discriminating is None:
        return "how many servings were truly told apart is not known"
    said = f"about {servings(figures.discriminating)} in 100 servings were truly told apart"
    if figures.low is None or figures.high is None:
        return said
    return f"{said} (range {servings(figures.low)} to {servings(figures.high)})"


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
        return NOTHING_YET
    if figures.households == 1:
        return f"One household has tasted so far: {score(figures)}. One household can't speak for the others."
    who = households(figures.households)
    if figures.told_apart:
        first = (
            f"Blind tasters can tell “{treatment}” from “{control}”: over {who} they were {score(figures)}; "
            f"{range_of_servings(figures)}."
        )
        return f"{first} {BATCH_LUCK if figures.batch_luck_open else _against_what_matters(figures)}"
    if figures.verdict == "practically_the_same":
        return (
            f"Hardly anyone can tell “{treatment}” from “{control}”: over {who} tasters were {score(figures)}. "
            f"Fewer than {servings(figures.smallest_that_matters)} in 100 servings can be told apart, on average."
        )
    high = "" if figures.high is None else f"; up to {servings(figures.high)} in 100 servings could truly be told apart"
    return (
        f"Not known yet whether “{treatment}” can be told from “{control}”: over {who} tasters were {score(figures)}. "
        f"{figures.evidence_words[:1].upper()}{figures.evidence_words[1:]}{high}."
    )


def _against_what_matters(figures: TastedFigures) -> str:
    matters = servings(figures.smallest_that_matters)
    match figures.verdict:
        case "bigger_than_matters":
            return f"That is more than the {matters} in 100 that was said to matter; different is not better."
        case "practically_the_same":
            return f"It is less than the {matters} in 100 that was said to matter."
        case _:
            return f"Whether it reaches the {matters} in 100 that was said to matter is open; different is not better."


def measured_answer(figures: MeasuredFigures, words: OutcomeWords, control: str, treatment: str) -> str:
    """Answer a question about what was measured.

    Parameters
    ----------
    figures : MeasuredFigures
        Household means and the any-time interval.
    words : OutcomeWords
        How the outcome is said.
    control, treatment : str
        The arms' labels.

    """
    if figures.households == 0 or figures.estimate is None:
        return NOTHING_YET
    direction = words.lower if figures.estimate < 0 else words.higher
    size = words.figure(figures.estimate)
    if figures.households == 1:
        return (
            f"One household has reported: “{treatment}” {direction} by {size} than “{control}”. One pair of batches "
            "can't say whether the treatment or the bucket did it."
        )
    who = households(figures.households)
    spread = _range(figures, words)
    matters = None if figures.smallest_that_matters is None else words.figure(figures.smallest_that_matters)
    match figures.verdict:
        case "bigger_than_matters":
            return (
                f"“{treatment}” {direction} by {size} on average than “{control}” over {who}{spread}; that is more "
                f"than the {matters} that was said to matter."
            )
        case "practically_the_same":
            return (
                f"“{treatment}” and “{control}” are practically the same in {words.title}: over {who} they lay "
                f"{size} apart on average{spread}, well within the {matters} that was said to matter."
            )
        case "real_but_may_be_too_small":
            return (
                f"“{treatment}” {direction} by {size} on average than “{control}” over {who}{spread}; whether that is "
                f"as much as the {matters} that was said to matter is open."
            )
        case _:
            return (
                f"Not known yet: over {who} “{treatment}” {direction} by {size} on average than “{control}”, and "
                f"{_open(figures, words)}."
            )


def _range(figures: MeasuredFigures, words: OutcomeWords) -> str:
    if figures.low is None or figures.high is None:
        return ""
    return f" (range {figures.low:+.{words.decimals}f} to {figures.high:+.{words.decimals}f})"


def _open(figures: MeasuredFigures, words: OutcomeWords) -> str:
    if figures.low is None or figures.high is None:
        return "so few households leave the true difference open"
    return f"anything from {figures.low:+.{words.decimals}f} to {figures.high:+.{words.decimals}f} could be the truth"


def tasted_beside(figures: TastedFigures) -> str:
    """Say, beside a measured answer, whether anyone could taste it."""
    if figures.households == 0:
        return "Nobody has tasted it blind."
    if figures.told_apart:
        return f"It can be tasted: tasters were {score(figures)}."
    return f"It was not shown to be tasted: tasters were {score(figures)}."
