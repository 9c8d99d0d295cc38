"""The shortest time of many, by the clock: what a call takes where nothing else is in its way."""

import time
from collections.abc import Callable

Work = Callable[[], object]


def shortest(*works: Work, seconds: float = 0.5, least: int = 3) -> list[float]:
    """Run several works in turns for about `seconds` in all, and return the shortest time of each."""
    for work in works:
        work()
    found = [float("inf")] * len(works)
    until = time.perf_counter() + seconds
    turns = 0
    while turns < least or time.perf_counter() < until:
        for place, work in enumerate(works):
            start = time.perf_counter()
            work()
            found[place] = min(found[place], time.perf_counter() - start)
        turns += 1
    return found
