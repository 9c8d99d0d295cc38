"""How a sealed trial went, as far as the service can see; who opened which link, it can't."""

from collections.abc import Iterator

from service.intake.flags import Flag
from service.intake.protocol_check import Checked
from service.intake.trial_documents import SealedTrialDocument


def sealed_flags(checked: Checked) -> Iterator[Flag]:
    """Name what bears on how each sealed trial is to be read."""
    for index, trial in enumerate(checked.document.trials):
        if isinstance(trial, SealedTrialDocument):
            yield from _flags(index, trial)


def _flags(index: int, trial: SealedTrialDocument) -> Iterator[Flag]:
    name = trial.name_at(index)
    planned = {"planned": trial.planned or 0}
    if not trial.presented:
        yield Flag("trial_unanswered", f"{name} was opened and had no answer.", planned, trial=index)
        return
    early = trial.answered_before_pouring
    if early:
        detail = (
            f"In {name.lower()} {early} answers came before the pour sheet was opened: were the glasses poured by it?"
        )
        yield Flag("answered_before_pouring", detail, {"answers": early}, trial=index)
    openings = trial.pour_sheet_openings
    if openings:
        often = "once" if openings == 1 else f"{openings} times"
        detail = f"The pour sheet of {name.lower()} was opened {often}; that it wasn't by a taster is the owner's word."
        yield Flag("pour_sheet_opened", detail, {"times": openings}, trial=index)
    tasters = len(trial.assessors)
    if tasters > 1:
        detail = f"{tasters} tasters of {name.lower()} shared one pair of batches: they count as one household."
        yield Flag("several_tasters", detail, {"tasters": tasters}, trial=index)
