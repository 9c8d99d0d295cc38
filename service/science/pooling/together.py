"""Searches over one mixture's likelihood that run in step, so that it is computed for all of their points at once."""

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
import numpy.typing as npt

from service.science.pooling.mixture import Mixture, Surface

FloatArray = npt.NDArray[np.float64]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Ask:
    """What a search wants to know: the likelihood at points (mu, tau), by so many moments (1, 3 or 5)."""

    mu: FloatArray
    tau: FloatArray
    orders: int


Search = Generator[Ask, FloatArray, T]
"""A search: it asks until it has found something."""


def value(mu: FloatArray, tau: FloatArray) -> Search[FloatArray]:
    """Ask for the log-likelihood."""
    found = yield Ask(mu, tau, 1)
    return np.asarray(found[0])


def line(mu: FloatArray, tau: FloatArray) -> Search[tuple[FloatArray, FloatArray, FloatArray]]:
    """Ask for the log-likelihood with its first and second derivative in mu."""
    here, slope, bend = yield Ask(mu, tau, 3)
    return here, slope, bend


def surface(mu: FloatArray, tau: FloatArray) -> Search[Surface]:
    """Ask for the log-likelihood and the headline mean with all their derivatives."""
    found = yield Ask(mu, tau, 5)
    return Surface(*found)


def run(mixture: Mixture, search: Search[T]) -> T:
    """Run one search to its end."""
    return run_together([(mixture, search)])[0]


def run_together(searches: Sequence[tuple[Mixture, Search[T]]]) -> list[T]:
    """Run searches to their ends, each over its own weighting of the same distinct counts.

    Parameters
    ----------
    searches : sequence of (Mixture, Search)
        All mixtures are the first one, or come from it by `without`.

    Returns
    -------
    list
        What each found, the same as by itself but for rounding.

    """
    found: dict[int, T] = {}
    running = [_Running(place, mixture, search) for place, (mixture, search) in enumerate(searches)]
    while running:
        asked: dict[int, list[tuple[_Running[T], Ask]]] = {}
        for each in running:
            try:
                ask = next(each.search) if each.answer is None else each.search.send(each.answer)
            except StopIteration as end:
                found[each.place] = end.value
            else:
                asked.setdefault(ask.orders, []).append((each, ask))
        running = [each for waiting in asked.values() for each in _answered(waiting)]
    return [found[place] for place in range(len(searches))]


@dataclass(slots=True)
class _Running(Generic[T]):
    place: int
    mixture: Mixture
    search: Search[T]
    answer: FloatArray | None = None


def _answered(waiting: Sequence[tuple[_Running[T], Ask]]) -> list[_Running[T]]:
    """Answer asks of as many moments each."""
    first, ask = waiting[0]
    if len(waiting) == 1:
        first.answer = first.mixture.evaluate(ask.mu, ask.tau, ask.orders)
        return [first]
    mu, tau = np.concatenate([each.mu for _, each in waiting]), np.concatenate([each.tau for _, each in waiting])
    counts = [len(each.mu) for _, each in waiting]
    times = np.repeat(np.stack([each.mixture.times for each, _ in waiting], axis=1), counts, axis=1)
    answers = first.mixture.evaluate(mu, tau, ask.orders, times)
    begin = 0
    for (each, _), count in zip(waiting, counts, strict=True):
        each.answer = answers[:, begin : begin + count]
        begin += count
    return [each for each, _ in waiting]
