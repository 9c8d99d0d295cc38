"""First-order propagation of uncertainty (JCGM 100:2008, the GUM) by central differences."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.science.checks import Numeric


@dataclass(frozen=True, slots=True)
class Source:
    """One uncertain input: its place among the function's arguments, its standard uncertainty and its range."""

    argument: int
    standard_uncertainty: Numeric
    low: float = -np.inf
    high: float = np.inf


def standard_uncertainty(
    function: Callable[..., Any], arguments: Sequence[Any], sources: Sequence[Source], *further: Numeric
) -> Numeric:
    """Combine uncertain inputs to the standard uncertainty (k = 1) of a function of them.

    Parameters
    ----------
    function : callable
        Of `arguments`, in order.
    arguments : sequence of float or ndarray
        Its estimates.
    sources : sequence of Source
        Independent uncertain arguments. The difference is taken over one standard uncertainty to each side, less where
        the argument's range ends.
    further : float or ndarray
        Standard uncertainties of the result itself, such as a model's.

    References
    ----------
    JCGM 100:2008, section 5.1.3, note 2.

    """
    variance: Numeric = 0.0
    for each in further:
        variance = variance + each * each
    for source in sources:
        centre, spread = arguments[source.argument], source.standard_uncertainty
        below, above = _within(centre - spread, source), _within(centre + spread, source)
        width = above - below
        shifted = list(arguments)
        shifted[source.argument] = above
        high = function(*shifted)
        shifted[source.argument] = below
        low = function(*shifted)
        if isinstance(width, float):
            term = (high - low) * (spread / width) if width > 0.0 else 0.0
        else:
            term = (high - low) * np.divide(spread, width, out=np.zeros_like(width), where=width > 0.0)
        variance = variance + term * term
    return variance**0.5


def _within(value: Numeric, source: Source) -> Numeric:
    if isinstance(value, float):
        return min(max(value, source.low), source.high)
    return np.clip(value, source.low, source.high)
