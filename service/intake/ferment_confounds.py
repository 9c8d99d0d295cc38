"""Other explanations that lie in the vessels: who chose them, how they were read, and where the ferments ended."""

import math
from collections.abc import Iterator
from itertools import chain

from service.intake.documents import BatchDocument
from service.intake.flags import Flag
from service.intake.protocol_check import Checked, Comparison

_CO2_APART_G_PER_L = 0.5  # a judgement: about a quarter of a volume of gas; common practice, no source
_AGES_APART_DAYS = 7.0  # likewise


def ferment_flags(checked: Checked) -> Iterator[Flag]:
    """Name what differs between the vessels besides the factor."""
    document = checked.document
    if document.assignment == "chosen":
        yield Flag("vessels_not_drawn", "Somebody chose which vessel got which arm; a draw would have been fair.")
    elif document.assignment is None and document.batches:
        yield Flag("assignment_not_recorded", "It isn't said how vessels got their arms.")
    if document.observer_knew_the_arms:
        yield Flag("observer_knew_the_arms", "Whoever read the instruments knew which vessel was which.")
    gassy = sum(batch.degassed is False for batch in document.batches)
    if gassy:
        detail = f"{gassy} of {len(document.batches)} batches were read with gas in the sample."
        yield Flag("readings_not_degassed", detail, {"batches": gassy})
    if document.suspected_confounds:
        count = len(document.suspected_confounds)
        yield Flag(
            "confound_suspected", f"The contributor suspects {count} other explanation(s).", {"suspected": count}
        )
    yield from chain.from_iterable(_between(checked, comparison) for comparison in checked.tasted_comparisons)


def _between(checked: Checked, arms: Comparison) -> Iterator[Flag]:
    control, treatment = checked.batches_of(arms[0]), checked.batches_of(arms[1])
    yield from _ferments_apart(control, treatment, arms)
    co2 = [mean([b.package.co2_g_per_l if b.package else None for b in side]) for side in (control, treatment)]
    if co2[0] is not None and co2[1] is not None and abs(co2[1] - co2[0]) > _CO2_APART_G_PER_L:
        detail = f"The arms hold {co2[0]:.2g} and {co2[1]:.2g} g/L of gas: bubbles alone can be told apart."
        yield Flag("carbonation_apart", detail, {"control": co2[0], "treatment": co2[1]}, arms=arms)
    ages = [mean([b.package.bottle_age_days if b.package else None for b in side]) for side in (control, treatment)]
    if ages[0] is not None and ages[1] is not None and abs(ages[1] - ages[0]) > _AGES_APART_DAYS:
        detail = f"The bottles were {ages[0]:.0f} and {ages[1]:.0f} days old."
        yield Flag("bottle_ages_unequal", detail, {"control": ages[0], "treatment": ages[1]}, arms=arms)


def _ferments_apart(control: list[BatchDocument], treatment: list[BatchDocument], arms: Comparison) -> Iterator[Flag]:
    """Compare final gravities with twice the standard uncertainty of their difference."""
    read = [[batch for batch in side if batch.final_sg is not None] for side in (control, treatment)]
    levels = [mean([batch.final_sg for batch in side]) for side in read]
    if levels[0] is None or levels[1] is None:
        return
    apart = abs(levels[1] - levels[0])
    explained = 2.0 * math.sqrt(
        sum(sum(batch.gravity_uncertainty**2 for batch in side) / len(side) ** 2 for side in read)
    )
    if apart > explained:
        detail = (
            f"Final gravities are apart by {apart:.4f}; reading explains up to {explained:.4f}. "
            "A possible pathway: what was tasted may be sweetness or strength."
        )
        numbers = {"control": levels[0], "treatment": levels[1], "difference": apart, "explained_by_reading": explained}
        yield Flag("ferments_apart", detail, numbers, arms=arms)


def mean(values: list[float | None]) -> float | None:
    """Return the mean of what is there, or None where nothing is."""
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
