"""A pool of differences in plain words."""

from service.science import plain_words
from service.science.pooling.difference_results import PooledDifferences

_VERDICTS = {
    "bigger_than_matters": "That is bigger than the size agreed to matter.",
    "practically_the_same": "Any difference is smaller than the size agreed to matter: practically the same.",
    "real_but_may_be_too_small": "There is a difference, but it may be too small to matter.",
    "cannot_tell_yet": "Whether the difference is big enough to matter can't be told yet.",
}


def differences_reading(result: PooledDifferences) -> str:
    """Say what a pool of differences shows, and what it doesn't.

    Parameters
    ----------
    result : PooledDifferences
        Its `reading` is not looked at.

    """
    if result.estimate is None:
        return "No household has reported a difference yet."
    if result.households == 1:
        found = _signed(result.estimate)
        return f"One household found {found}. One pair can't say whether the treatment or the batch did it."
    sentences = [_mean(result), _any_time(result)]
    if result.identical:
        sentences.append("All households report the same value: rounding or copies?")
    elif result.verdict is not None:
        sentences.append(_VERDICTS[result.verdict])
    if _precise_disagree(result):
        sentences.append("Households with precise and with imprecise readings disagree.")
    sentences.extend(_spread(result))
    if result.robustness.one_household_decides:
        sentences.append("One household decides: without it the answer would be another.")
    return " ".join(sentence for sentence in sentences if sentence)


def _precise_disagree(result: PooledDifferences) -> bool:
    """Say whether weighing moved the mean by more than its standard error."""
    if result.estimate is None or result.mean_of_households is None or not result.standard_error:
        return False
    return abs(result.estimate - result.mean_of_households) > result.standard_error


def _mean(result: PooledDifferences) -> str:
    start = f"Over {plain_words.whole(result.households)} households the mean difference is {_signed(result.estimate)}"
    if result.low is None or result.high is None:
        return f"{start}, without a range."
    return f"{start}, from {_signed(result.low)} to {_signed(result.high)} if we had planned to stop at this count."


def _any_time(result: PooledDifferences) -> str:
    bound = result.any_time
    if bound.e_value is None:
        return ""
    words = plain_words.evidence_words(bound.e_value)
    if bound.low is None or bound.high is None:
        return f"However often it is looked at, the evidence for a difference: {words}."
    return (
        f"However often it is looked at: from {_signed(bound.low)} to {_signed(bound.high)}; the evidence for a "
        f"difference: {words}."
    )


def _spread(result: PooledDifferences) -> list[str]:
    sentences = []
    signs = result.sign_count
    if result.households >= 8:
        side, count = ("lower", signs.lower) if signs.lower >= signs.higher else ("higher", signs.higher)
        sentences.append(f"{count} of {result.households} households went {side}.")
    if result.sd_between_households:
        told = f"Households' results differ by about {_plain(result.sd_between_households)}, batch luck included"
        if result.reading_sd:
            told += f"; reading error explains {_plain(result.reading_sd)}"
        sentences.append(f"{told}.")
    bound = result.next_household
    if bound.low is not None and bound.high is not None:
        if bound.low > 0.0 or bound.high < 0.0:
            sentences.append("Most households should see it.")
        else:
            sentences.append("Some households see the opposite.")
    elif not result.identical:
        sentences.append("It is too early to say how households vary.")
    return sentences


def _signed(value: float | None) -> str:
    return "nothing" if value is None else f"{value:+.3g}"


def _plain(value: float) -> str:
    return f"{value:.2g}"
