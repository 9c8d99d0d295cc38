"""What one replication shows by itself, in numbers and in plain sentences."""

import math
from collections.abc import Iterator, Sequence

from service.intake.cautions import cautions_for
from service.intake.documents import PERCEIVABLE_DIFFERENCE, TASTING_OUTCOMES
from service.intake.ferment_report import ferments
from service.intake.flags import Flag
from service.intake.measured_report import measured_report
from service.intake.protocol_check import Checked
from service.intake.report_models import Confound, Deviation, FermentReport, Limits, MeasuredReport, Report, TrialReport
from service.record.rows import ObservationRow
from service.science.discrimination import significance
from service.science.intervals import Interval
from service.science.plain_words import counted
from service.science.trial_readings import significance_reading

_SEALED = "The service drew the orders, and held the key until the last answer."
_SHAM = "Both vessels were of one arm: this measures how far two batches differ by luck alone."


def report(
    checked: Checked,
    rows: Sequence[ObservationRow],
    flags: Sequence[Flag],
    followed: Sequence[FermentReport] | None = None,
) -> Report:
    """Say what a replication shows.

    Parameters
    ----------
    checked : Checked
        A document that fits its protocol.
    rows : sequence of ObservationRow
        From `observations.reduce`.
    flags : sequence of Flag
        From `confounds.find`.
    followed : sequence of FermentReport or None
        From `ferment_report.ferments`, where that is known already; it takes longer than all the rest.

    """
    trials = [_trial(checked, row) for row in rows if row.outcome == PERCEIVABLE_DIFFERENCE]
    tasted = bool(checked.document.trials)
    measured = [measured_report(row, tasted=tasted) for row in rows if row.outcome not in TASTING_OUTCOMES]
    named = [*flags, *_not_reported(checked, rows)]
    confounds = [flag for flag in named if flag.kind.group == "confound"]
    return Report(
        summary=list(_summary(checked, trials, measured, len(confounds))),
        trials=trials,
        measured=measured,
        ferments=ferments(checked.document.batches) if followed is None else list(followed),
        deviations=[Deviation(name=flag.name, detail=flag.detail) for flag in named if flag.kind.group != "confound"],
        confounds=[Confound(name=flag.name, detail=flag.detail, numbers=dict(flag.numbers)) for flag in confounds],
        cautions=cautions_for(checked),
    )


def _trial(checked: Checked, row: ObservationRow) -> TrialReport:
    method, presented, correct = row.method or "", row.presented or 0, row.correct or 0
    tasters = row.assessors or 1
    result = significance(method, presented, correct)
    # The service fixed a sealed trial's number when it was opened, whatever the plan said.
    planned = row.details.get("planned") if row.sealed else checked.plan.presentations
    fixed = row.registered and presented == planned
    reading = significance_reading(result, fixed_beforehand=fixed, tasters=tasters)
    return TrialReport(
        method=method,
        control=row.control,
        treatment=row.treatment,
        presented=presented,
        correct=correct,
        assessors=tasters,
        p_value=float(result.p_value),
        expected_by_chance=float(result.expected_by_chance),
        proportion_discriminating=limits(result.proportion_discriminating),
        d_prime=limits(result.d_prime),
        any_time_e_value=_finite(result.any_time_e_value),
        sealed=row.sealed,
        outside_the_test=row.outside_the_test,
        reading=" ".join([*([_SEALED] if row.sealed else []), *([_SHAM] if row.sham else []), reading]),
    )


def limits(interval: Interval) -> Limits:
    """Write an interval down as a report does."""
    return Limits(estimate=_finite(interval.estimate), low=_finite(interval.low), high=_finite(interval.high))


def _finite(value: object) -> float | None:
    """Turn "no upper limit" into the null that JSON has for it."""
    number = float(value)  # type: ignore[arg-type]  # a scalar call gives scalars
    return number if math.isfinite(number) else None


def _not_reported(checked: Checked, rows: Sequence[ObservationRow]) -> Iterator[Flag]:
    if checked.document.state == "registered":
        return
    reported = {row.outcome for row in rows}
    for goal in checked.protocol.outcomes:
        if goal.outcome not in reported:
            yield Flag(
                "outcome_not_reported", f"The protocol asks for {goal.outcome}; it can't be told from this document."
            )


def _summary(
    checked: Checked, trials: Sequence[TrialReport], measured: Sequence[MeasuredReport], confounds: int
) -> Iterator[str]:
    if checked.document.state == "registered":
        yield _planned(checked)
        yield "What is tasted after this is stamped counts as registered; what is measured, if pitched after it."
        return
    yield _scope(checked)
    arms, primary = checked.planned_comparison, checked.plan.primary_outcome
    if primary == PERCEIVABLE_DIFFERENCE:
        yield from (each.reading for each in trials if (each.control, each.treatment) == arms)
    yield from (each.reading for each in measured if each.outcome == primary and (each.control, each.treatment) == arms)
    if confounds == 1:
        yield "One other explanation is named under confounds: read it before believing that the factor did it."
    elif confounds:
        many = counted(confounds).capitalize()
        yield f"{many} other explanations are named under confounds: read them before believing that the factor did it."


def _planned(checked: Checked) -> str:
    plan = checked.plan
    control, treatment = checked.planned_comparison
    how = f", by {plan.presentations} sets of {plan.method}" if plan.method and plan.presentations else ""
    return f"The plan: {control} against {treatment}{how}; {plan.primary_outcome} carries the claim."


def _scope(checked: Checked) -> str:
    document = checked.document
    batches = len(document.batches)
    tasters = len({count.assessor for trial in document.trials for count in trial.assessors})
    vessels = "This batch" if batches == 1 else f"These {counted(batches)} batches" if batches else "One household"
    who = "" if not tasters else " One taster." if tasters == 1 else f" {counted(tasters).capitalize()} tasters."
    return f"{vessels}.{who} Not a claim about people."
