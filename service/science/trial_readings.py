"""What a blind trial shows, in plain sentences: different is not better, and one palate is not a population."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from service.science import plain_words
from service.science.trial_methods import METHODS

if TYPE_CHECKING:
    from service.science.discrimination import Sequential, Significance, Similarity
    from service.science.trial_planning import TrialPlan

_DONE = {
    "triangle": "found the odd glass",
    "duo_trio": "matched the reference",
    "two_afc": "picked the right glass of two",
    "three_afc": "picked the right glass of three",
    "tetrad": "sorted the four glasses rightly",
}

_SHOWN = 0.05
_FAR_BELOW = 0.01
_STRONG = 20.0
_OPEN = 0.4

_GIVEAWAY = (
    "A perfect score is also what a giveaway looks like: check colour, haze, fill, gas, temperature, strength, and who "
    "held the key."
)


def significance_reading(result: Significance, *, fixed_beforehand: bool = False, tasters: int = 1) -> str:
    """Say what a trial's count shows and what it does not.

    Parameters
    ----------
    result : Significance
        Of a single trial, not of columns.
    fixed_beforehand : bool
        Whether the number presented is known to have been fixed before the first answer; if not, the reading also
        says what the count is worth where someone stopped because it was going well.
    tasters : int
        How many people tasted.

    """
    shown = float(result.p_value) <= _SHOWN
    sentences = [_count(result, tasters)]
    sentences += _found(result, tasters, fixed_beforehand=fixed_beforehand) if shown else _not_found(result)
    sentences += plain_words.at_confidence(float(result.confidence))
    return " ".join(sentences)


def similarity_reading(result: Similarity) -> str:
    """Say what a single similarity test shows; that nothing was found is never called the same."""
    upper = float(result.proportion_discriminating_upper)
    limit = f"{100.0 * float(result.largest_tolerable_discriminating):.3g}"
    sure = f"{100.0 * float(result.confidence):g} % sure"
    extent = f"{plain_words.servings_up_to(upper)} could be told apart ({sure})"
    if upper <= 0.0:
        extent = f"so few right leave no room for a difference ({sure})"
    rare = " So few right are rare even by guessing: check the key, the codes and the instructions."
    few = rare if float(result.lower_tail_p_value) < _FAR_BELOW else ""
    right, out_of = plain_words.whole(int(result.correct)), plain_words.whole(int(result.presented))
    if result.most_correct_allowed is None:
        return (
            f"Too few to decide: no count out of {out_of} may conclude that fewer than {limit} of 100 servings can be "
            f"told apart. As it stands {extent}. Serve more, or allow more.{few}"
        )
    most = plain_words.whole(int(str(result.most_correct_allowed)))
    if not result.similar:
        return (
            f"Similarity isn't shown: {right} right in {out_of}, and at most {most} would show it. "
            f"As it stands {extent}; the limit was {limit}."
        )
    count = f"{right} right in {out_of}, at most {most} allowed"
    shown = f"fewer than {limit} of 100 servings can be told apart ({sure}): {count}."
    holds = f"This holds for {result.holds_for}, if the limit was chosen beforehand."
    if float(result.difference_p_value) <= _SHOWN:
        return f"A difference is there, and it is smaller than the limit you set: {shown} {holds}"
    return f"If there is a difference, {shown} {holds} That isn't the same as none.{few}"


def sequential_reading(result: Sequential) -> str:
    """Say what the evidence of a trial followed answer by answer is worth."""
    e_value, largest = result.e_value, result.largest_e_value
    words = plain_words.evidence_words
    right, out_of = plain_words.whole(result.correct), plain_words.whole(result.presented)
    if e_value < 1.0 and result.crossed_at is not None:
        now = "by now the evidence against guessing is below even."
    elif e_value >= 1.0:
        now = f"the evidence against guessing is {plain_words.odds(e_value)}: {words(e_value)}."
    else:
        now = f"the evidence against guessing is below even: {words(e_value)}."
    sentences = [f"{right} right in {out_of}: {now}"]
    threshold = plain_words.odds(1.0 / result.significance)
    if result.crossed_at is not None:
        sentences.append(f"It reached {threshold} at answer {plain_words.whole(result.crossed_at)}, and that stands.")
        sentences.append("Different is not better.")
    else:
        if largest > e_value and largest >= 1.0:
            sentences.append(f"At its height it was {plain_words.odds(largest)}.")
        sentences.append(f"It hasn't reached {threshold}, so no difference is shown, and none ruled out.")
    sentences.append(
        "You may stop or go on: looking costs nothing here, if every order was drawn afresh and every answer counts."
    )
    return " ".join(sentences)


def plan_reading(plan: TrialPlan) -> str:
    """Say what a plan asks for, what it gives, and what would be cheaper."""
    several = plan.households > 1
    where = f" in each of {plain_words.counted(plan.households)} households" if several else ""
    served = "presentation" if plan.presentations == 1 else "presentations"
    fewest = f"{plain_words.whole(plan.fewest_correct)} right{' in all' if several else ''}"
    luck = plain_words.chance(plan.achieved_significance)
    share = plain_words.servings(plan.proportion_discriminating)
    power, days = plain_words.chance(plan.achieved_power), plain_words.whole(plan.days)
    sentences = [
        f"Fix {plain_words.whole(plan.presentations)} {served}{where} before the first glass.",
        f"Call a difference shown from {fewest}; guessing gets that far {luck}.",
        f"Where {share} of 100 servings can be told apart (d\u2032 {plan.d_prime:.2g}), this shows it {power}.",
    ]
    if plan.between_household_sd > 0.0:
        sentences.append("Households are taken to differ, and that share is their mean.")
    if plan.presentations_first < plan.presentations:
        first = plain_words.whole(plan.presentations_first)
        sentences.append(f"{first} would do too, but not one more or less: the exact power goes up and down by turns.")
    noun = "day" if plan.days == 1 else "days"
    sentences.append(f"That is {plain_words.whole(plan.glasses)} glasses for a taster, over {days} {noun} or more.")
    sentences += _cheaper(plan)
    sentences.append("Where such a trial shows nothing, that doesn't show that nothing is there.")
    return " ".join(sentences)


def _cheaper(plan: TrialPlan) -> list[str]:
    """Name the cheapest other method in glasses, of those that need no direction and of those that do."""
    sentences = []
    for named, condition in ((False, ""), (True, ", if you can name beforehand which batch has more of something")):
        possible = [
            (each.glasses, each.presentations or 0, METHODS[each.method].title)
            for each in plan.alternatives
            if each.glasses is not None and each.glasses < plan.glasses and each.direction_named == named
        ]
        if possible:
            glasses, presentations, title = min(possible)
            counts = f"{plain_words.whole(presentations)} presentations ({plain_words.whole(glasses)} glasses)"
            sentences.append(f"By {title} {counts} do the same{condition}.")
    return sentences


def _count(result: Significance, tasters: int) -> str:
    who = "You" if tasters == 1 else "The tasters"
    right, out_of = plain_words.times(int(result.correct)), plain_words.whole(int(result.presented))
    return f"{who} {_DONE[result.method]} {right} in {out_of}."


def _found(result: Significance, tasters: int, *, fixed_beforehand: bool) -> list[str]:
    perfect = int(result.correct) == int(result.presented)
    e_value = float(result.any_time_e_value)
    sentences = [_luck(result, perfect=perfect, fixed_beforehand=fixed_beforehand)]
    if not fixed_beforehand:
        sentences.append(f"If you stopped because it was going well, {_worth(e_value)}.")
    can_tell = fixed_beforehand or e_value >= _STRONG
    sentences.append(_size(result, tasters, perfect=perfect, can_tell=can_tell))
    if perfect:
        sentences.append(_GIVEAWAY)
    if tasters > 1 and int(result.presented) > tasters:
        sentences.append("That range takes the tasters as alike; where they differ it is too narrow.")
    whom = "you" if tasters == 1 else "these tasters"
    sentences.append(f"This is about {whom} and these two batches. Different is not better.")
    return sentences


def _luck(result: Significance, *, perfect: bool, fixed_beforehand: bool) -> str:
    p_value = float(result.p_value)
    if perfect:
        # The one chance that is exactly 1 in a whole number may be given in full.
        often = f"once in {plain_words.whole(1.0 / p_value)}" if p_value > 1e-9 else plain_words.chance(p_value)
        sentence = f"Guessing does this {often}"
    else:
        average = plain_words.average(float(result.expected_by_chance))
        sentence = f"Guessing averages {average}, and does this well {plain_words.chance(p_value)}"
    if fixed_beforehand:
        return f"{sentence}."
    return f"{sentence}, provided you fixed {plain_words.counted(int(result.presented))} beforehand."


def _worth(e_value: float) -> str:
    words = plain_words.evidence_words(e_value)
    if e_value < 1.0:
        return f"it counts for nothing against guessing: {words}"
    return f"count it as {plain_words.odds(e_value)}: {words}"


def _size(result: Significance, tasters: int, *, perfect: bool, can_tell: bool) -> str:
    share = result.proportion_discriminating
    low, high = float(share.low), float(share.high)
    # All of them would leave no room above.
    least = plain_words.servings(min(low, 0.99))
    able = "You can tell these apart" if tasters == 1 else "These tasters, some of them at least, can tell these apart"
    whose = "you" if tasters == 1 else "they"
    if perfect:
        if can_tell and low > 0.0:
            return f"{able}, in at least {least} of 100 servings; there is no upper limit."
        return f"How well {whose} can tell is open: anything from {least} of 100 servings up; there is no upper limit."
    extent = plain_words.servings_between(low, high)
    if not can_tell:
        return f"How well {whose} can tell is open: {extent}."
    return f"{able}. How well is open: {extent}." if high - low > _OPEN else f"{able}, in {extent}."


def _not_found(result: Significance) -> list[str]:
    sentences = []
    if result.below_chance:
        average = plain_words.average(float(result.expected_by_chance))
        sentences.append(f"Guessing averages {average}: fewer right than guessing gives, so treat it as guessing.")
        if (far := float(result.lower_tail_p_value)) < _FAR_BELOW:
            sentences.append(
                f"Guessing does this badly {plain_words.chance(far)}: check the key, the codes and the instructions."
            )
    else:
        sentences.append(f"Guessing does this well {plain_words.chance(float(result.p_value))}.")
    if result.fewest_correct_for["0.05"] is None:
        sentences.append(_too_few(result))
    sentences.append(_still_possible(result))
    return sentences


def _too_few(result: Significance) -> str:
    presented = int(result.presented)
    needed = math.ceil(math.log(_SHOWN) / math.log(METHODS[result.method].guess_probability)) - presented
    return (
        f"Too few to decide: no count out of {plain_words.counted(presented)} is rarer than 1 in 20 by guessing; "
        f"add at least {plain_words.counted(needed)} more."
    )


def _still_possible(result: Significance) -> str:
    high = float(result.proportion_discriminating.high)
    if int(result.correct) == int(result.presented):
        return "No difference shown, and none ruled out: there is no upper limit to the servings told apart."
    if high <= 0.0:
        return "No difference shown, and so few right leave no room for one: the upper limit is 0 of 100 servings."
    return f"No difference shown, and none ruled out: {plain_words.servings_up_to(high)} could truly be told apart."
