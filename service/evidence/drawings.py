"""Every drawing of a question or a replication, from the record to bytes."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.evidence.aims import DESCRIPTORS, DRYNESS, PERCEIVABLE, PREFERENCE
from service.evidence.collect import Collected, collect
from service.evidence.curves import Curve, Curves, draw_curves
from service.evidence.drawing import Caption, Format
from service.evidence.filters import Filters
from service.evidence.forest import draw_forest
from service.evidence.forest_rows import forest_of_differences, forest_of_trials
from service.evidence.measured import measured
from service.evidence.path import draw_path
from service.evidence.path_steps import path_of_differences, path_of_trials
from service.evidence.perceivable import tasted
from service.record.database import Session
from service.record.tables import Question

_UNDRAWN = {PREFERENCE, DESCRIPTORS, DRYNESS}
_HOURS_IN_A_DAY = 24.0


def forest_of(
    session: Session, question: Question, filters: Filters, position: int, outcome: str | None, kind: Format
) -> bytes:
    """Draw the studies of one outcome with their mean.

    Parameters
    ----------
    session, question, filters, position
        As for `answer.answer`.
    outcome : str or None
        A measured outcome or `perceivable_difference`; the primary where None, and blind trials where that can't be
        drawn.
    kind : str
        `svg` or `png`.

    """
    collected = collect(session, question, filters, position)
    chosen = _drawn(collected, outcome)
    if chosen == PERCEIVABLE:
        return draw_forest(forest_of_trials(collected, tasted(collected)), kind)
    return draw_forest(forest_of_differences(collected, measured(collected, chosen)), kind)


def path_of(
    session: Session, question: Question, filters: Filters, position: int, outcome: str | None, kind: Format
) -> bytes:
    """Draw what could be said after each study of an outcome; arguments as for `forest_of`."""
    collected = collect(session, question, filters, position)
    chosen = _drawn(collected, outcome)
    if chosen == PERCEIVABLE:
        return draw_path(path_of_trials(collected), kind)
    return draw_path(path_of_differences(collected, chosen, measured(collected, chosen).figures.matters), kind)


def _drawn(collected: Collected, outcome: str | None) -> str:
    chosen = outcome or collected.primary
    return PERCEIVABLE if chosen in _UNDRAWN else chosen


def curves_of(question: Question, document: Mapping[str, Any], kind: Format) -> bytes:
    """Draw the gravities of one replication's document, each vessel a line."""
    arms = sorted(question.arms, key=lambda arm: not arm.get("is_control"))
    places = {arm["key"]: place for place, arm in enumerate(arms)}
    labels = {arm["key"]: arm["label"] for arm in arms}
    batches: Sequence[Mapping[str, Any]] = document.get("batches") or ()
    lines = [
        Curve(f"{labels[batch['arm']]}: {batch['batch']}", places[batch["arm"]], *_readings(batch))
        for batch in sorted(batches, key=lambda batch: places[batch["arm"]])
    ]
    said = (
        "Gravity as reported, each vessel a line: the control dark, the others in colour. Points alone are a first and "
        "a last gravity with nothing between."
    )
    return draw_curves(Curves(Caption(question.title, (said,)), lines), kind)


def _readings(batch: Mapping[str, Any]) -> tuple[list[float], list[float], bool]:
    """Take the readings in order of time; where there are none, the first and the last gravity."""
    readings = [(float(each["at_h"]), float(each["sg"])) for each in batch.get("readings") or ()]
    followed = bool(readings)
    if not followed:
        days = batch.get("days_to_finish")
        if batch.get("original_sg") is not None:
            readings.append((0.0, float(batch["original_sg"])))
        if batch.get("final_sg") is not None and days is not None:
            readings.append((_HOURS_IN_A_DAY * float(days), float(batch["final_sg"])))
    readings.sort()
    return [at for at, _ in readings], [gravity for _, gravity in readings], followed
