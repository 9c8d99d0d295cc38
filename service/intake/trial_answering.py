"""The taster's side of a sealed trial: one set at a time, in order, each answer for good.

Nothing here looks at which glass holds what: an answer is held against the codes alone, so that neither what is said
back nor how long it takes depends on whether it was right.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.intake.refusals import Fault, Refused, invalid
from service.intake.sealed_documents import TasterAnswer
from service.intake.sealed_shown import AnswerKept, TasterTurn
from service.intake.strict import plain
from service.intake.tasting_load import taster_cautions
from service.intake.trial_ending import end_if_finished
from service.intake.trial_keys import sheet_of
from service.intake.trial_results import state_of
from service.record import trials
from service.record.rows import TrialAnswer, TrialTaster
from service.record.trial_tables import SealedTrial
from service.science.serving import Presentation
from service.science.trial_methods import METHODS

_TASKS = {
    "triangle": "Two glasses hold the same. Choose the one that is different.",
    "duo_trio": "The marked glass is the reference. Choose the one of the others that is the same as it.",
    "two_afc": "Choose the glass that has more of what you were asked to look for.",
    "three_afc": "Choose the glass that has most of what you were asked to look for.",
    "tetrad": "The glasses are two and two the same. Choose two that are alike.",
}
# ISO 4120:2021 7.2 to 7.5.
_HOW = "Taste from left to right; you may go back within this set. You must choose: guess if you can't tell."
_CAUTIONS = [
    "Tasting is drinking: spit when you can, stop when you have had enough, and don't drive afterwards.",
    "Your notes are shown, under your code, with the answers when the trial has ended.",
]
_STRANGE = "no glass of this set that can be chosen has this code"


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer that stands, and whether it stood there before."""

    kept: AnswerKept
    replayed: bool


def turn(session: Session, link_hash: str) -> TasterTurn:
    """Return what the holder of a taster's link is served now; a read transaction will do.

    Raises
    ------
    service.record.errors.NotFound
        No taster has this link.

    """
    trial, taster = trials.by_taster_hash(session, link_hash)
    answered = len(trials.answers(session, trial).get(taster.id, []))
    is_over = trial.closed_position is not None
    waits = is_over or answered == trial.presentations
    served = None if waits else _served(session, trial, taster, answered + 1)
    glasses = () if served is None else served.glasses
    return TasterTurn(
        state=state_of(trial),
        presentation=None if served is None else served.number,
        planned=trial.presentations,
        answered=answered,
        method=trial.method,
        codes=[glass.code for glass in glasses],
        reference_code=next((glass.code for glass in glasses if glass.is_reference), None),
        choose=METHODS[trial.method].glasses_chosen,
        instruction=f"{_TASKS[trial.method]} {_HOW}",
        asks_preference=trial.serving["preference"],
        descriptors=trial.serving["descriptors"],
        cautions=[*_CAUTIONS, *taster_cautions(trial.method, trial.presentations, trial.serving)],
        trial=f"/v1/trials/{trial.id}" if is_over else None,
    )


def answer(session: Session, link_hash: str, given: TasterAnswer) -> Answered:
    """Write down an answer to the present set, or say again that it stands.

    Raises
    ------
    service.record.errors.NotFound
        No taster has this link.
    Refused
        `answer_final` where the set has another answer; `trial_ended`; `out_of_turn` for a set that comes later, or
        never; `code_not_served` for a code that isn't in the set or can't be chosen; `invalid` for the wrong number of
        codes, and for what the trial doesn't ask.

    """
    found, taster = trials.by_taster_hash(session, link_hash)
    trial = trials.locked(session, found.id)
    before = trials.answers(session, trial).get(taster.id, [])
    content = _content(given)
    earlier = next((each for each in before if each.presentation == given.presentation), None)
    if earlier is not None:
        if earlier.answer != content:
            raise Refused("This set has another answer, which stands.", kind="answer_final")
        return Answered(_kept(trial, earlier), replayed=True)
    if trial.closed_position is not None or trials.is_due(session, trial):
        raise Refused("This trial has ended: no more answers are taken.", kind="trial_ended")
    expected = len(before) + 1
    if expected > trial.presentations:
        raise Refused("You have answered every set.", kind="out_of_turn")
    if given.presentation != expected:
        raise Refused(f"The set to answer now is {expected}.", kind="out_of_turn")
    _refuse_misfits(trial, given, _served(session, trial, taster, expected))
    kept = trials.keep_answer(session, trial=trial, taster=taster, presentation=expected, answer=content)
    end_if_finished(session, trial)
    return Answered(_kept(trial, kept), replayed=False)


def _served(session: Session, trial: SealedTrial, taster: TrialTaster, presentation: int) -> Presentation:
    _, key = trials.unsealed(session, trial)
    return sheet_of(key, taster.assessor)[presentation]


def _content(given: TasterAnswer) -> dict[str, Any]:
    """Return an answer in the one form in which two that say the same are equal."""
    content = plain(given)
    del content["presentation"]
    content["chosen_codes"] = sorted(content["chosen_codes"])
    if content.get("descriptors") is not None:
        content["descriptors"] = {code: sorted(set(words)) for code, words in content["descriptors"].items() if words}
    left_out = {name for name, value in content.items() if value is None and name != "preferred_code"}
    return {name: value for name, value in content.items() if name not in left_out}


def _kept(trial: SealedTrial, kept: TrialAnswer) -> AnswerKept:
    return AnswerKept(
        presentation=kept.presentation,
        planned=trial.presentations,
        answered=kept.presentation,
        finished=kept.presentation == trial.presentations,
        answered_at=kept.answered_at,
    )


def _refuse_misfits(trial: SealedTrial, given: TasterAnswer, served: Presentation) -> None:
    in_set = {glass.code for glass in served.glasses}
    to_choose = {glass.code for glass in served.glasses if not glass.is_reference}
    liked = [] if given.preferred_code is None else [("/preferred_code", given.preferred_code)]
    described = [("/descriptors", code) for code in given.descriptors or ()]
    strangers = [
        *(
            Fault(f"/chosen_codes/{place}", _STRANGE)
            for place, code in enumerate(given.chosen_codes)
            if code not in to_choose
        ),
        *(Fault(where, _STRANGE) for where, code in (*liked, *described) if code not in in_set),
    ]
    if strangers:
        raise Refused("Answer with the codes on the glasses of this set.", strangers, kind="code_not_served")
    faults = [*_count_faults(trial, given.chosen_codes), *_not_asked(trial, given)]
    if faults:
        raise invalid(faults)


def _count_faults(trial: SealedTrial, chosen: list[str]) -> Iterator[Fault]:
    wanted = METHODS[trial.method].glasses_chosen
    if len(chosen) != wanted or len(set(chosen)) != wanted:
        yield Fault("/chosen_codes", "choose one code" if wanted == 1 else f"choose {wanted} different codes")


def _not_asked(trial: SealedTrial, given: TasterAnswer) -> Iterator[Fault]:
    if "preferred_code" in given.model_fields_set and not trial.serving["preference"]:
        yield Fault("/preferred_code", "this trial doesn't ask which glass is liked; leave it out")
    if given.descriptors is None:
        return
    words = trial.serving["descriptors"]
    if not words:
        yield Fault("/descriptors", "this trial asks for no words; leave them out, or put them into the notes")
    elif any(word not in words for fitting in given.descriptors.values() for word in fitting):
        yield Fault("/descriptors", f"tick only words that are asked: {', '.join(words)}")
