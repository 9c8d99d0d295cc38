"""Other explanations of a blind trial's count: how it was drawn, poured, told and stopped."""

from collections.abc import Iterator

from service.intake.documents import TrialDocument
from service.intake.flags import Flag
from service.intake.protocol_check import Checked


def trial_flags(checked: Checked) -> Iterator[Flag]:
    """Name what is wrong with, or unsaid of, each declared trial."""
    for index, trial in enumerate(checked.document.trials):
        name = trial.name_at(index)
        for flag, detail in (*_order(trial, name), *_knowledge(trial, name), *_appearance(trial, name)):
            yield Flag(flag, detail, trial=index)
        planned, presented = _planned(checked, trial)
        if planned is not None and 0 < presented < planned:
            detail = f"{name} {trial.ending} at {presented} of {planned} planned sets."
            yield Flag("stopped_early", detail, {"planned": planned, "presented": presented}, trial=index)


def outside_the_test(trial: TrialDocument) -> str | None:
    """Why a trial's count has no place in the exact test against guessing; None where it has.

    The test is valid where each set's order was a fresh fair draw, unknown to the taster, and no answer was told before
    the last. Blocks are valid across several tasters, not for one who can count along. What isn't said is flagged, and
    taken to be in order. A sealed trial's blocks lie across its tasters, so that each one's own orders are fresh draws
    however many of them answered.
    """
    if trial.is_sealed:
        return None
    if trial.key_held_by == "taster":
        return "taster_held_key"
    if trial.told_during:
        return "told_during"
    if len(trial.assessors) == 1 and trial.order_draw == "blocks":
        return "order_in_blocks"
    if len(trial.assessors) == 1 and trial.order_draw == "unknown":
        return "order_unknown"
    return None


def _planned(checked: Checked, trial: TrialDocument) -> tuple[int | None, int]:
    """Return how many sets were planned, and how many presented against that number.

    A trial that names no number of its own is held to the plan's, together with the other sittings of that comparison.
    """
    arms = (trial.control, trial.treatment)
    if trial.planned is not None or arms != checked.planned_comparison:
        return trial.planned, trial.presented
    sittings = [each for each in checked.document.trials if (each.control, each.treatment) == arms]
    return checked.plan.presentations, sum(each.presented for each in sittings)


def _order(trial: TrialDocument, name: str) -> Iterator[tuple[str, str]]:
    if trial.is_sealed:
        return
    if trial.order_draw is None:
        yield "order_not_recorded", f"{name} doesn't say how the order of each set was drawn."
    elif trial.order_draw == "unknown":
        yield "order_unknown", f"In {name.lower()} nobody knows how the order of each set was drawn."
    elif trial.order_draw == "blocks" and len(trial.assessors) == 1:
        yield "order_in_blocks", f"In {name.lower()} one taster had balanced blocks: the last sets can be guessed."


def _knowledge(trial: TrialDocument, name: str) -> Iterator[tuple[str, str]]:
    if trial.told_during:
        yield "told_during", f"In {name.lower()} results were told before the last answer."
    if trial.key_held_by == "taster":
        yield "pourer_is_taster", f"In {name.lower()} the taster held the key."
    elif trial.key_held_by is None:
        yield "key_holder_not_recorded", f"{name} doesn't say who held the key."


def _appearance(trial: TrialDocument, name: str) -> Iterator[tuple[str, str]]:
    if trial.appearance_masked is False:
        yield "appearance_not_masked", f"In {name.lower()} colour and haze could be seen."
    elif trial.appearance_masked is None:
        yield "appearance_not_recorded", f"{name} doesn't say whether colour and haze were hidden."
