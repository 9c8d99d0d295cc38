"""The whole invented community: who is in it, and everything that it did, in the order in which it happened."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final, Literal

import numpy as np
from numpy.random import Generator

from seed_demo.batches.wash import Mishap
from seed_demo.drawing import Document
from seed_demo.households import Household, draw_households, draw_seats
from seed_demo.questions import PROTOCOLS, QUESTIONS
from seed_demo.replications import Replication, draw_replication
from seed_demo.truth import CIDER, INVENTED, MEAD, SEED, SHAM_TRIALS, TRUTHS, WASH, Truth

Act = Literal["join", "ask", "publish", "report", "register", "revise", "submit", "post"]
"""What is done: `revise` and `submit` bring in the result of what was registered, `post` sends one whole."""

_IMPRESSIONS: Final = (
    (WASH, "treatment", "Drank both over an evening, knowing which was which: the cleared one seemed softer."),
    (MEAD, "treatment", "The mead that was fed in steps seemed cleaner. No blind glasses."),
    (CIDER, "neither", "Had both with supper and forgot which was which."),
)


@dataclass(frozen=True, slots=True)
class Event:
    """One act of one household; `about` tells a replication's acts from another's."""

    at: datetime
    act: Act
    household: int
    question: str = ""
    about: int = 0
    document: Document | None = None


@dataclass(frozen=True, slots=True)
class Community:
    """Everybody, and their acts in order of time. `silent` is the registration that nothing followed."""

    households: tuple[Household, ...]
    replications: dict[str, tuple[Replication, ...]]
    silent: Replication
    events: tuple[Event, ...]

    @property
    def names(self) -> dict[int, str]:
        """What each household is called in the record."""
        return {household.number: household.name for household in self.households}


def draw_community(seed: int = SEED) -> Community:
    """Draw the community from one generator; the same seed gives the same documents.

    Parameters
    ----------
    seed : int
        Of `numpy.random.default_rng`.

    """
    rng = np.random.default_rng(seed)
    households = draw_households(rng)
    seats = draw_seats(rng, households)
    replications = {truth.slug: _draw_all(rng, truth, seats[truth.slug]) for truth in TRUTHS}
    elsewhere = [household for household in households if household not in seats[MEAD.slug]]
    silent = draw_replication(rng, MEAD, elsewhere[int(rng.integers(len(elsewhere)))], registers=True)
    acts = [
        *_asked(rng, seats),
        *_sent(rng, [each for group in replications.values() for each in group]),
        *_impressions(rng, seats),
        Event(_registered(silent), "register", silent.household.number, MEAD.slug, -1, silent.registration),
    ]
    acts.sort(key=lambda event: event.at)
    return Community(households, replications, silent, (*_joined(acts), *acts))


def _draw_all(rng: Generator, truth: Truth, seats: list[Household]) -> tuple[Replication, ...]:
    places = rng.permutation(len(seats))
    registered = set(rng.permutation(len(seats))[: truth.registered].tolist())
    mishaps = {}
    if truth is WASH:
        mishaps = {int(place): Mishap(sham=True) for place in places[:SHAM_TRIALS]}
        mishaps[int(places[SHAM_TRIALS])] = Mishap(stalled=True)
        mishaps[int(places[SHAM_TRIALS + 1])] = Mishap(unmatched=True)
    return tuple(
        draw_replication(rng, truth, household, registers=place in registered, mishap=mishaps.get(place, Mishap()))
        for place, household in enumerate(seats)
    )


def _registered(replication: Replication) -> datetime:
    if replication.registered_at is None:
        raise ValueError("this replication was never registered")
    return replication.registered_at


def _asked(rng: Generator, seats: dict[str, list[Household]]) -> Iterator[Event]:
    """Let somebody who takes part ask each question, and publish its protocol within the hour."""
    for truth in TRUTHS:
        author = seats[truth.slug][int(rng.integers(truth.replications))].number
        at = datetime.combine(truth.asked, time(9), UTC) + timedelta(minutes=int(rng.integers(600)))
        yield Event(at, "ask", author, truth.slug, document=QUESTIONS[truth.slug])
        at += timedelta(minutes=int(rng.integers(10, 60)))
        yield Event(at, "publish", author, truth.slug, document=PROTOCOLS[truth.slug])


def _sent(rng: Generator, replications: list[Replication]) -> Iterator[Event]:
    for about, each in enumerate(replications, start=1):
        number, slug = each.household.number, each.document["question"]
        if each.registered_at is None:
            yield Event(each.reported_at, "post", number, slug, about, each.document)
            continue
        yield Event(each.registered_at, "register", number, slug, about, each.registration)
        yield Event(each.reported_at, "revise", number, slug, about, each.document)
        later = each.reported_at + timedelta(minutes=int(rng.integers(2, 40)))
        yield Event(later, "submit", number, slug, about)


def _impressions(rng: Generator, seats: dict[str, list[Household]]) -> Iterator[Event]:
    for truth, leans, text in _IMPRESSIONS:
        teller = seats[truth.slug][int(rng.integers(truth.replications))].number
        at = datetime.combine(truth.pitched[0], time(12), UTC) + timedelta(minutes=int(rng.integers(400 * 1440)))
        document = {"leans": leans, "text": f"{INVENTED} {text}"}
        yield Event(at, "report", teller, truth.slug, document=document)


def _joined(acts: list[Event]) -> list[Event]:
    """Let everybody join just before the first thing they do; who joins stands in no ledger."""
    first: dict[int, datetime] = {}
    for event in acts:
        first.setdefault(event.household, event.at)
    return [Event(at - timedelta(minutes=5), "join", household) for household, at in first.items()]
