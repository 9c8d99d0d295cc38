"""A pool of trials in plain words."""

import math

from service.science import plain_words
from service.science.pooling.trial_results import PooledTrials

_STRONG = 20.0
_VERDICTS = {
    "bigger_than_matters": "The difference is bigger than the size agreed to matter.",
    "practically_the_same": "Any difference is smaller than the size agreed to matter: practically the same.",
    "real_but_may_be_too_small": "There is a difference, but it may be too small to matter.",
    "cannot_tell_yet": "Whether a difference is big enough to matter can't be told yet.",
}


def trials_reading(result: PooledTrials) -> str:
    """Say what a pool of trials shows, and what it doesn't.

    Parameters
    ----------
    result : PooledTrials
        Its `reading` is not looked at.

    """
    if not result.households:
        return "No household has reported a blind trial yet."
    sentences = [_counts(result), _evidence(result), _size(result)]
    if result.below_chance:
        sentences.append(
            "That is clearly fewer right than guessing gives: check the key, the codes and the instructions, and "
            "whether sets were swapped."
        )
    elif len(result.by_method) == 1:
        sentences.append(_verdict(result))
    sentences.extend(_households(result))
    sentences.append("Different is not better.")
    return " ".join(sentence for sentence in sentences if sentence)


def _verdict(result: PooledTrials) -> str:
    if result.verdict == "practically_the_same" and result.any_time.e_value >= _STRONG:
        return "A difference is there, and it is smaller than the size agreed to matter."
    return _VERDICTS[result.verdict]


def _counts(result: PooledTrials) -> str:
    households = "One household" if result.households == 1 else f"{plain_words.whole(result.households)} households"
    luck = plain_words.chance(result.nobody_can_tell.p_value)
    average = plain_words.average(result.expected_by_chance)
    return (
        f"{households} answered {plain_words.whole(result.correct)} of {plain_words.whole(result.presentations)} "
        f"presentations rightly; guessing averages {average}, and does this well {luck} if nobody can tell and the "
        "number was fixed beforehand."
    )


def _evidence(result: PooledTrials) -> str:
    return f"However often it is looked at, the evidence that someone can tell: {result.any_time.words}."


def _size(result: PooledTrials) -> str:
    share = result.proportion_discriminating
    if share.estimate is not None:
        best = plain_words.servings(share.estimate)
        if share.low is None or share.high is None:
            return f"Best guess: {best} of 100 servings truly told apart, with too few households for a range."
        if share.estimate == 0.0:
            most = plain_words.servings(share.high)
            return f"No difference shown, and none ruled out: up to {most} of 100 servings could truly be told apart."
        spread = plain_words.servings_between(share.low, share.high)
        whose = "in its own tastings" if result.households == 1 else "on average over households"
        return f"Best guess: {best} of 100 servings truly told apart, {whose} ({spread})."
    sensitivity = result.d_prime
    if sensitivity.estimate is None or sensitivity.low is None:
        return ""
    limit = "no upper limit" if sensitivity.high is None or math.isinf(sensitivity.high) else f"{sensitivity.high:.2f}"
    best = "without limit" if math.isinf(sensitivity.estimate) else f"{sensitivity.estimate:.2f}"
    extent = f"from {sensitivity.low:.2f} to {limit}"
    return f"On the scale that the methods share, mean d' over households is {best} ({extent})."


def _households(result: PooledTrials) -> list[str]:
    sentences = []
    if result.households < 5:
        sentences.append("It is too early to say how households vary.")
    elif result.spread.sd is not None and result.spread.sd == 0.0:
        sentences.append("No sign that households differ, which is not the same as households being alike.")
    elif result.spread.low is not None and result.spread.low > 0.0:
        sentences.append("Households differ in how well they tell.")
    if result.one_household_decides:
        sentences.append(_decides(result))
    return sentences


def _decides(result: PooledTrials) -> str:
    least = result.least_e_value_without_one
    if least is not None and least >= _STRONG:
        return "Whether it is big enough to matter hangs on one household; that they can tell does not."
    return "One household decides: without it the answer would be another."
