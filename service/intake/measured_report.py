import math

from service.intake.outcomes import Outcome, outcome_named
from service.intake.report_models import MeasuredReport
from service.record.rows import ObservationRow

_GRAVITY_PLACES = 4
_ONE_PAIR = "One pair can't say whether the treatment or the bucket did it."
_SEVERAL = "It is still one household's result."
_FLAVOUR = "If flavour was your question, match strength and sweetness before pouring."


def measured_report(row: ObservationRow, *, tasted: bool) -> MeasuredReport:
    """Say what a measured outcome shows in one replication; `tasted` where its batches were also set before tasters."""
    outcome = outcome_named(row.outcome)
    if "finished_first" in row.details:
        return _shown(row, (row.details["control_value"], row.details["treatment_value"]), _race(row, outcome))
    control, treatment = float(row.details["control_value"]), float(row.details["treatment_value"])
    if outcome.scale == "yes_no":
        return _shown(row, (bool(row.control_event), bool(row.treatment_event)), _events(row))
    ratio = treatment / control if outcome.scale == "log_ratio" else None
    spread = None if row.variance is None else 2.0 * math.sqrt(row.variance)
    explained = spread if ratio is None or spread is None else spread * math.sqrt(control * treatment)
    sentences = [_apart(outcome, control, treatment, explained)]
    beyond = explained is None or abs(treatment - control) > explained
    if beyond and treatment != control:
        if row.outcome == "final_sg":
            sentences.append(_finished(max(control, treatment)))
        alone = row.details["control_batches"] == row.details["treatment_batches"] == 1
        sentences.append(_ONE_PAIR if alone else _SEVERAL)
        if row.outcome == "final_sg" and tasted:
            sentences.append(_FLAVOUR)
    return _shown(
        row,
        (control, treatment),
        " ".join(sentences),
        difference=treatment - control,
        ratio=ratio,
        explained=explained,
    )


def _shown(
    row: ObservationRow,
    values: tuple[float | None, float | None],
    reading: str,
    *,
    difference: float | None = None,
    ratio: float | None = None,
    explained: float | None = None,
) -> MeasuredReport:
    return MeasuredReport(
        outcome=row.outcome,
        control=row.control,
        treatment=row.treatment,
        control_value=values[0],
        treatment_value=values[1],
        difference=difference,
        ratio=ratio,
        unit=outcome_named(row.outcome).unit,
        explained_by_reading=explained,
        reading=reading,
    )


def _apart(outcome: Outcome, control: float, treatment: float, explained: float | None) -> str:
    name = outcome.title
    places = _GRAVITY_PLACES if outcome.unit == "SG" else 2
    apart = abs(treatment - control)
    pair = f"{name}: {_number(control, places)} against {_number(treatment, places)}{_unit(outcome)}"
    if explained is None:
        return f"{pair}, apart by {_number(apart, places)}. How well it was read isn't stated."
    if apart <= explained:
        return (
            f"{pair}. Reading alone explains up to {_number(explained, places)}: no difference shown, none ruled out."
        )
    times = apart / (explained / 2.0)
    return (
        f"{pair}. Apart by {_number(apart, places)}, {times:.1f} times what reading usually explains "
        f"({_number(explained / 2.0, places)}, seldom more than {_number(explained, places)})."
    )


def _finished(higher: float) -> str:
    read = _number(higher, _GRAVITY_PLACES)
    return f"Is {read} finished? Take degassed readings 48 h apart, and don't bottle until they agree: bottles burst."


def _events(row: ObservationRow) -> str:
    said = {True: "did", False: "did not"}
    one, other = bool(row.control_event), bool(row.treatment_event)
    return f"{outcome_named(row.outcome).title}: the control {said[one]}, the treatment {said[other]}. " + (
        "No difference in this pair." if one == other else _ONE_PAIR
    )


def _race(row: ObservationRow, outcome: Outcome) -> str:
    """Say what a pair shows in which a vessel had not finished."""
    first = row.details["finished_first"]
    if first is None:
        return f"{outcome.title}: still going when last seen, and which arm is quicker isn't known yet."
    other = "treatment" if first == "control" else "control"
    done = _number(row.details[f"{first}_value"], 2)
    seen = _number(row.details[f"{other}_still_going_at"], 2)
    return (
        f"{outcome.title}: the {first} took {done}{_unit(outcome)}, the {other} was still going at {seen}. {_ONE_PAIR}"
    )


def _unit(outcome: Outcome) -> str:
    return "" if outcome.unit in {"", "SG", "pH"} else f" {outcome.unit}"


def _number(value: float, places: int) -> str:
    """Write a figure without trailing zeros, but a gravity with three places."""
    text = f"{value:.{places}f}"
    if places == _GRAVITY_PLACES:
        return text.removesuffix("0")
    return text.rstrip("0").rstrip(".")
