"""What each batch's own gravity log says of its ferment."""

from collections.abc import Iterable

from service.intake.documents import BatchDocument
from service.intake.report_models import FermentReport, Limits
from service.science.errors import InputError
from service.science.fermentation import GravityReading, progress

_FEWEST_READINGS = 4


def is_logged(batches: Iterable[BatchDocument]) -> bool:
    """Whether the gravity of any batch was logged often enough to see a course in it."""
    return any(len(batch.readings) >= _FEWEST_READINGS for batch in batches)


def ferments(batches: Iterable[BatchDocument]) -> list[FermentReport]:
    """Follow every batch whose gravity was logged often enough to see a course in it."""
    followed = (_followed(batch) for batch in batches if len(batch.readings) >= _FEWEST_READINGS)
    return [each for each in followed if each is not None]


def _followed(batch: BatchDocument) -> FermentReport | None:
    readings = [GravityReading(each.at_h, each.sg, each.temperature_c) for each in batch.readings]
    try:
        found = progress(readings, batch.gravity_uncertainty)
    except InputError:
        # A log beyond what the method can follow is kept as it is, and says nothing here.
        return None
    final = found.projected_final_sg
    return FermentReport(
        batch=batch.batch,
        arm=batch.arm,
        state=found.state,
        projected_final_sg=None
        if final is None
        else Limits(estimate=float(final.estimate), low=float(final.low), high=float(final.high)),
        reading=found.reading,
    )
