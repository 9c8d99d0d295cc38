"""Was the plan registered in time: before the first answer for tasting, before pitching for what is measured."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, time

from service.intake.documents import BatchDocument, TrialDocument
from service.intake.flags import Flag
from service.intake.protocol_check import Checked


def first_answer_at(trial: TrialDocument) -> datetime | None:
    """Return the earliest moment at which a trial can have begun: a bare day counts from its start, UTC."""
    tasted = trial.tasted_on
    if tasted is None or isinstance(tasted, datetime):
        return tasted
    return datetime.combine(tasted, time(), UTC)


def before_tasting(trial: TrialDocument, registered_at: datetime | None) -> bool:
    """Whether the plan was registered before the first answer; what isn't said doesn't count."""
    if trial.is_sealed:
        # The service opens a trial only in what is registered, by the ledger's own order.
        return registered_at is not None
    answered = first_answer_at(trial)
    return registered_at is not None and answered is not None and registered_at < answered


def before_pitching(batches: Sequence[BatchDocument], registered_at: datetime | None) -> bool:
    """Whether the plan was registered before every one of these vessels was pitched."""
    return (
        registered_at is not None
        and bool(batches)
        and all(batch.pitched_at is not None and registered_at < batch.pitched_at for batch in batches)
    )


def registration_flags(checked: Checked, registered_at: datetime | None) -> Iterator[Flag]:
    """Say that there was no registration, or that it came too late, or can't be placed."""
    document = checked.document
    if registered_at is None:
        yield Flag("not_registered", "The plan wasn't registered before the result was known.")
        return
    for index, trial in enumerate(document.trials):
        if trial.is_sealed:
            continue
        answered = first_answer_at(trial)
        if answered is None:
            detail = f"Trial {index + 1} doesn't say when it was tasted, so registration can't count for it."
            yield Flag("tasting_time_not_recorded", detail, trial=index)
        elif registered_at >= answered:
            detail = f"The plan was registered after trial {index + 1} may have begun."
            late_h = (registered_at - answered).total_seconds() / 3600.0
            yield Flag("registered_after_tasting", detail, {"hours_late": late_h}, trial=index)
    missing = sum(batch.pitched_at is None for batch in document.batches)
    late = sum(batch.pitched_at is not None and registered_at >= batch.pitched_at for batch in document.batches)
    numbers = {"batches": len(document.batches)}
    if missing:
        detail = f"{missing} of {len(document.batches)} batches don't say when they were pitched."
        yield Flag("pitching_time_not_recorded", detail, {"missing": missing, **numbers})
    if late:
        detail = f"The plan was registered after {late} of {len(document.batches)} batches were pitched."
        yield Flag("registered_after_pitching", detail, {"late": late, **numbers})
