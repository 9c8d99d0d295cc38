"""The helper's side of a sealed trial: what to pour under which code, and that somebody has looked."""

from sqlalchemy.orm import Session

from service.intake.sealed_shown import Glass, Pour, PourSheet
from service.intake.tasting_load import alcohol_of
from service.intake.trial_ending import end, end_if_due
from service.intake.trial_results import progress_of, state_of
from service.record import trials
from service.record.rows import EndedBy
from service.record.trial_tables import SealedTrial

# ISO 4120:2021 5.3 to 5.7; AS 2542.2.2:2014 5.2 (no talk); the last is common practice, no source.
_INSTRUCTIONS = [
    "Pour out of the tasters' sight, and show this sheet to nobody.",
    "Write the code on each glass, and set the glasses out from left to right as listed.",
    "Use the same kind of glass, the same amount and the same temperature for all.",
    "Where colour, haze or foam could give it away, use covers, opaque glasses or coloured light.",
    "Take away one set before serving the next. Say nothing of how it goes until all have finished.",
    "Where both batches are in bottles, alternate which one is opened and poured first.",
]
_REFERENCE = "Mark the reference glass of each set, and set it on the left."
_CAUTIONS = [
    "Tasting is drinking: count what is swallowed, have water and food at hand, and see that nobody drives afterwards.",
    "Serve nobody who is pregnant, under the legal age, or on medicine that alcohol disturbs.",
]


def pour_sheet(session: Session, helper_hash: str) -> PourSheet:
    """Return the pour sheet to the holder of the helper's link; that it was opened is written down.

    Raises
    ------
    service.record.errors.NotFound
        No trial has this link.

    """
    trial = end_if_due(session, trials.by_helper_hash(session, helper_hash).id)
    if trial.closed_position is None:
        trials.count_opening(session, trial)
    ending = trials.closing(session, [trial]).get(trial.id)
    key = trials.unsealed(session, trial)[1] if ending is None else ending["key"]
    alcohol = alcohol_of(trial.method, trial.presentations, trial.serving)
    poured = [
        Pour(
            taster=each["taster"],
            presentation=each["presentation"],
            glasses=[Glass.model_validate(glass) for glass in each["glasses"]],
        )
        for each in key["presentations"]
    ]
    return PourSheet(
        state=state_of(trial),
        method=trial.method,
        sham=trial.control == trial.treatment,
        # Round by round: what is poured next comes next.
        presentations=sorted(poured, key=lambda pour: pour.presentation),
        progress=progress_of(session, trial),
        pour_ml=alcohol.pour_ml,
        serving_c=trial.serving.get("serving_c"),
        alcohol=alcohol,
        instructions=[*_INSTRUCTIONS, *([_REFERENCE] if trial.method == "duo_trio" else [])],
        cautions=[*_CAUTIONS, *alcohol.cautions],
    )


def close_as_helper(session: Session, helper_hash: str) -> SealedTrial:
    """End a trial early by the helper's link; one that has ended stays as it is."""
    return close(session, trials.by_helper_hash(session, helper_hash), "helper")


def close(session: Session, trial: SealedTrial, ended_by: EndedBy) -> SealedTrial:
    """End a trial early; one that has ended stays as it is."""
    trial = end_if_due(session, trial.id)
    return trial if trial.closed_position is not None else end(session, trial, ended_by)
