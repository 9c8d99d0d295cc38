"""One invented household's try at a question: its document, and the moments at which it was sent."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from numpy.random import Generator

from seed_demo.batches import cider, mead, wash
from seed_demo.batches.wash import Mishap
from seed_demo.drawing import Document, happens
from seed_demo.ferments import Ferment, draw_ferment
from seed_demo.households import Household
from seed_demo.runs import draw_still
from seed_demo.tastings import PLANNED, draw_discriminating, draw_planned, draw_sham, draw_trial
from seed_demo.truth import CIDER, INVENTED, MEAD, PRACTICE, WASH, Truth

_PLAN_FIELDS: Final = ("question", "protocol_version", "state", "plan", "kitchen", "conditions", "assignment", "notes")
"""What a registration says: everything that is known before the ferment."""

_NO_MISHAP: Final = Mishap()


@dataclass(frozen=True, slots=True)
class Replication:
    """What a household sends and when; `registered_at` is None where it only sends the result."""

    household: Household
    document: Document
    registered_at: datetime | None
    reported_at: datetime

    @property
    def registration(self) -> Document:
        """The plan as it is registered, without any result."""
        return {**{name: self.document[name] for name in _PLAN_FIELDS}, "state": "registered"}


@dataclass(frozen=True, slots=True)
class Days:
    """When a household pitched and when it first tasted."""

    pitched_at: datetime
    tasted_on: date

    @property
    def tasted_at(self) -> datetime:
        """The evening of the first glass."""
        return datetime.combine(self.tasted_on, time(18), UTC)


def draw_replication(
    rng: Generator, truth: Truth, household: Household, *, registers: bool, mishap: Mishap = _NO_MISHAP
) -> Replication:
    """Draw a whole replication from the truth."""
    ferment = draw_ferment(rng, truth)
    days = _draw_days(rng, truth, ferment)
    sets = draw_planned(rng)
    conditions, batches = _VESSELS[truth.slug](rng, household, ferment, days, mishap)
    share = draw_discriminating(rng, truth)
    trials = [draw_trial(rng, truth, household, days.tasted_on, sets=sets, discriminating=share)]
    if mishap.sham:
        trials.append(draw_sham(rng, household, days.tasted_on + timedelta(days=int(rng.integers(1, 5)))))
    stalled = ["The cleared half stopped early, so that its strength and sweetness differ."] if mishap.stalled else []
    document = {
        "question": truth.slug,
        "protocol_version": 1,
        "state": "submitted",
        "plan": {} if sets == PLANNED else {"presentations": sets},
        "kitchen": f"Invented: {household.kitchen}.",
        "conditions": conditions,
        "assignment": _draw_assignment(rng),
        "batches": batches,
        "trials": trials,
        "observer_knew_the_arms": happens(rng, 0.1),
        "suspected_confounds": stalled,
        "notes": INVENTED,
    }
    return Replication(
        household=household,
        document=document,
        registered_at=_draw_registered(rng, truth, days) if registers else None,
        reported_at=_moment(rng, date.fromisoformat(trials[-1]["tasted_on"]) + timedelta(days=int(rng.integers(1, 8)))),
    )


def _draw_days(rng: Generator, truth: Truth, ferment: Ferment) -> Days:
    first, last = truth.pitched
    pitched = _moment(rng, first + timedelta(days=int(rng.integers((last - first).days + 1))))
    waiting = int(rng.integers(truth.waiting_days[0], truth.waiting_days[1] + 1))
    return Days(pitched, (pitched + timedelta(days=ferment.days + waiting)).date())


def _draw_registered(rng: Generator, truth: Truth, days: Days) -> datetime:
    """Draw when the plan is stamped: before pitching where the claim is measured, before tasting where it is tasted."""
    before = days.tasted_on if truth.primary_outcome == "perceivable_difference" else days.pitched_at.date()
    return _moment(rng, before - timedelta(days=int(rng.integers(1, 6))))


def _moment(rng: Generator, day: date) -> datetime:
    """Draw a minute of a day."""
    return datetime.combine(day, time(7), UTC) + timedelta(minutes=int(rng.integers(15 * 60)))


def _draw_assignment(rng: Generator) -> str:
    drawn = rng.random()
    return "drawn" if drawn < PRACTICE.drawn else "chosen" if drawn < PRACTICE.drawn + PRACTICE.chosen else "coin"


Vessels = tuple[Document, list[Document]]
"""The conditions that the vessels shared, and the vessels."""


def _wash(rng: Generator, household: Household, ferment: Ferment, days: Days, mishap: Mishap) -> Vessels:
    conditions = wash.draw_conditions(rng)
    still = draw_still(rng, days.tasted_at - timedelta(days=int(rng.integers(2, 5))), days.tasted_at)
    return conditions, wash.draw_batches(rng, household, ferment, days.pitched_at, still, mishap)


def _mead(rng: Generator, household: Household, ferment: Ferment, days: Days, _mishap: Mishap) -> Vessels:
    conditions = mead.draw_conditions(rng)
    return conditions, mead.draw_batches(rng, household, ferment, days.pitched_at)


def _cider(rng: Generator, household: Household, ferment: Ferment, days: Days, _mishap: Mishap) -> Vessels:
    conditions = cider.draw_conditions(rng)
    return conditions, cider.draw_batches(rng, household, ferment, days.pitched_at, days.tasted_on)


_VESSELS: Final[dict[str, Callable[[Generator, Household, Ferment, Days, Mishap], Vessels]]] = {
    WASH.slug: _wash,
    MEAD.slug: _mead,
    CIDER.slug: _cider,
}
