"""How much is measured."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sizes:
    """Counts and seconds of a run."""

    households: tuple[int, ...] = (10, 1000, 100_000)
    left_out: int = 100
    values: int = 1_000_000
    rows: int = 100_000
    replications: int = 100
    warming: int = 10
    """Replications of the small question that everything is done once with."""
    times: int = 5
    """How often something is done that is slow and can't be done again in the same process."""
    growth: tuple[int, ...] = (10, 100, 1000, 10_000, 100_000)
    exports: tuple[int, ...] = (100, 10_000)
    questions: int = 10_000
    loaded: int = 100_000
    clients: int = 16
    calculators: int | None = None
    """How many calculators are asked; all of them where None."""
    workers: tuple[int, ...] = (1, 2)
    postgres: bool = True
    seconds: float = 0.6
    """For one comparison within a process."""
    under_load: float = 4.0
    """For one comparison over sockets."""
    spawn: bool = True
    """Whether what has its memory taken runs in a process of its own."""


FULL = Sizes()
TINY = Sizes(
    households=(10, 20),
    left_out=4,
    values=100,
    rows=50,
    replications=3,
    warming=2,
    times=1,
    growth=(3,),
    exports=(3,),
    questions=2,
    loaded=3,
    clients=2,
    calculators=2,
    workers=(1,),
    postgres=False,
    seconds=0.01,
    under_load=0.1,
    spawn=False,
)
