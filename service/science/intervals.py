from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate between two limits; `high` is infinite where the data set no upper limit.

    Each is a float, or all three are arrays of one shape.
    """

    estimate: float | NDArray[np.float64]
    low: float | NDArray[np.float64]
    high: float | NDArray[np.float64]
