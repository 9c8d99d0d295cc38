"""The one or two sentences that an answer begins with."""

from service.evidence.aims import DESCRIPTORS, DRYNESS, PERCEIVABLE, PREFERENCE
from service.evidence.collect import Collected
from service.evidence.dryness import dry_answer
from service.evidence.found import Found
from service.evidence.measured_words import measured_answer
from service.evidence.preferred_words import preferred_answer
from service.evidence.tasted_words import tasted_answer, tasted_beside
from service.evidence.wording import NOTHING_YET

_WORDS_ARE_LEADS = "Words are a lead to follow, and decide nothing: see how often each fitted either arm."


def said(collected: Collected, found: Found) -> str:
    """Answer in words: the primary outcome, and beside it whether anyone could taste it."""
    if collected.held.merged_into is not None:
        return f"This question was merged into {collected.held.merged_into}: its replications stand in that answer."
    exploratory = collected.filters.exploratory
    if collected.rows.number("sham").all():
        return "No replication fits these filters." if exploratory else NOTHING_YET
    sentences = _of_the_primary(collected, found)
    return _of_a_part(sentences) if exploratory else sentences


def _of_a_part(sentences: str) -> str:
    begun = f"{sentences[:1].lower()}{sentences[1:]}"
    if begun.startswith("not known yet"):
        return f"In the part you chose it is {begun}"
    return f"In the part you chose: {begun}"


def _of_the_primary(collected: Collected, found: Found) -> str:
    arms = collected.label(collected.control), collected.label(collected.treatment)
    trials = found.trials.figures
    if found.primary == PERCEIVABLE:
        first = tasted_answer(trials, *arms)
        return first if trials.households else f"{first} {_something_measured(found, arms)}".strip()
    if found.primary == PREFERENCE:
        if found.liking is None:
            return "Nobody has said yet which is liked better."
        return preferred_answer(found.liking.figures, *arms)
    if found.primary == DESCRIPTORS:
        return _WORDS_ARE_LEADS
    if found.primary == DRYNESS:
        first = dry_answer(None if found.dryness is None else found.dryness.pooled, *arms)
    else:
        outcome = found.measured[found.primary]
        first = measured_answer(outcome.figures, outcome.words, *arms)
    beside = tasted_beside(trials) if trials.households or PERCEIVABLE in collected.aims.outcomes else ""
    return f"{first} {beside}".strip()


def _something_measured(found: Found, arms: tuple[str, str]) -> str:
    """Say what was measured, where nobody has tasted yet."""
    for outcome in found.measured.values():
        if outcome.figures.estimate is not None:
            return measured_answer(outcome.figures, outcome.words, *arms)
    return ""
