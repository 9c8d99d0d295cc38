"""Words that several sentences of an answer share: true of the numbers, and never more than they show."""

from service.science.plain_words import average, counted, evidence_words, times, whole

NOTHING_YET = "No replication has been reported yet."
TOLD_APART = 20.0
"""The e-value from which a difference is said to be there (Ville 1939: at most 1 chance in 20 by luck, at any look)."""


def households(number: int) -> str:
    """Spell out how many households."""
    return f"{counted(number) if number else 'no'} household{'s' if number != 1 else ''}"


def replications(number: int) -> str:
    """Spell out how many replications."""
    return f"{counted(number) if number else 'no'} replication{'s' if number != 1 else ''}"


def capital(text: str) -> str:
    """Let a sentence begin."""
    return text[:1].upper() + text[1:]


def score(correct: int, presentations: int, expected: float) -> str:
    """Say how many were right, beside what guessing gives."""
    return f"right {times(correct)} in {whole(presentations)}, where guessing averages {average(expected)}"


def labelled(reading: str, *, primary: bool) -> str:
    """Say of an outcome that isn't the primary one that it carries no claim."""
    return reading if primary else f"A secondary outcome: it carries no claim of its own. {reading}"


def evidence(e_value: float) -> str:
    """Say how strong any-time evidence for a difference is, without a full stop."""
    words = evidence_words(e_value)
    return f"The evidence {words}" if words.startswith("speaks") else f"The evidence for a difference: {words}"


def in_100(share: float) -> str:
    """Give a share as a whole number of a hundred."""
    return whole(100.0 * share)
