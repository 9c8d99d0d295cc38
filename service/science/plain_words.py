"""Numbers as a person would say them; every sentence of a trial's reading is made of these."""

from __future__ import annotations

_TO_TEN = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_TO_TWENTY = ("eleven", "twelve", *(f"{stem}teen" for stem in ("thir", "four", "fif", "six", "seven", "eigh", "nine")))
_SMALL = (*_TO_TEN, *_TO_TWENTY, "twenty")

_MOST_SAID = 1e9


def whole(value: float) -> str:
    """Round to a whole number, with a space between thousands."""
    return f"{round(value):,}".replace(",", " ")


def rounded(value: float) -> str:
    """Give a large number to three figures, as nobody needs more of them."""
    digits = 10 ** max(len(str(int(value))) - 3, 0)
    return whole(round(value / digits) * digits)


def counted(number: int) -> str:
    """Spell a count out up to twenty."""
    return _SMALL[number] if 0 <= number < len(_SMALL) else whole(number)


def times(number: int) -> str:
    """Say how often."""
    return f"{whole(number)} time" if number == 1 else f"{whole(number)} times"


def average(value: float) -> str:
    """Give an expected count: whole where it is one, else to one decimal."""
    return whole(value) if abs(value - round(value)) < 0.05 or value >= 100.0 else f"{value:.1f}"


def chance(probability: float) -> str:
    """Say how likely, as a frequency: in a hundred where it is common, as 1 in N where it is rare."""
    if probability >= 0.995:
        return "nearly always"
    if probability >= 0.1:
        return f"{whole(100.0 * probability)} times in 100"
    if probability * _MOST_SAID < 1.0:
        return f"fewer than once in {whole(_MOST_SAID)}"
    return f"about 1 time in {rounded(1.0 / probability)}"


def servings(share: float) -> str:
    """Give a share as servings out of a hundred, never rounding something to nothing."""
    if share <= 0.0:
        return "none"
    return whole(100.0 * share) if share >= 0.005 else "fewer than 1"


def servings_up_to(share: float) -> str:
    """Give an upper limit of a share as servings out of a hundred."""
    most = servings(share)
    return f"{'up to ' if share >= 0.005 else ''}{most} of 100 servings"


def at_confidence(confidence: float) -> list[str]:
    """Say how sure the ranges are, where that isn't what everybody takes them for."""
    return [] if confidence == 0.95 else [f"Ranges are given at {100.0 * confidence:g} % confidence."]


def servings_between(low: float, high: float) -> str:
    """Give a range of shares as servings out of a hundred."""
    least, most = servings(low), servings(high)
    return f"about {most} of 100 servings" if least == most else f"between {least} and {most} of 100 servings"


def odds(e_value: float) -> str:
    """Give an e-value of 1 or more as odds against guessing."""
    if e_value < 3.0:
        return f"{e_value:.2g} to 1"
    if e_value > _MOST_SAID:
        return f"more than {whole(_MOST_SAID)} to 1"
    return f"{rounded(e_value)} to 1"


def evidence_words(e_value: float) -> str:
    """Put an any-time e-value for a difference into words; the steps are those of every answer of this service.

    A difference is called strong from 20, where Ville's inequality leaves luck at most 1 chance in 20 over all looks.
    """
    steps = (
        (100.0, "very strong"),
        (20.0, "strong; at most a 1 in 20 chance of getting this far by luck, however often we looked"),
        (10.0, "a fair sign"),
        (3.0, "a hint"),
        (1.0, "nothing to speak of yet"),
        (0.1, "no sign of a difference so far"),
    )
    for least, words in steps:
        if e_value >= least:
            return words
    return "speaks against a difference of the size we looked for"
