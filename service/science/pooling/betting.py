"""An exact any-time interval for a mean of bounded values, by betting on each as it arrives."""

import math

import numpy as np
import numpy.typing as npt
from scipy import optimize

from service.science.pooling.results import Range

FloatArray = npt.NDArray[np.float64]

_LARGEST_STAKE = 0.5
_LEAST = 1e-15


def betting_interval(values: npt.ArrayLike, confidence: float = 0.95) -> Range:
    """Bound the mean over households of values in [0, 1], valid after every household.

    Parameters
    ----------
    values : array
        One proportion for each household, in order of receipt.
    confidence : float
        0.5 to 0.9999.

    Returns
    -------
    Range
        {m : K(m) < 1/alpha}, K the hedged capital; [0, 1] while nothing is excluded.

    References
    ----------
    Waudby-Smith & Ramdas 2024 JRSS B 86:1, the predictable plug-in bet with capital hedged evenly. Valid for any
    spread between households that arrive in exchangeable order.

    """
    x = np.asarray(values, dtype=np.float64)
    if not len(x):
        return Range(0.0, 1.0)
    stakes = _stakes(x, 1.0 - confidence)
    limit = math.log(2.0 / (1.0 - confidence))
    low = _crossing(x, stakes, limit)
    high = 1.0 - _crossing(1.0 - x, stakes, limit)
    # Both bets can win only on values that no exchangeable order explains; the range then spans the two crossings.
    return Range(min(low, high), max(low, high))


def _stakes(x: FloatArray, significance: float) -> FloatArray:
    """Size each bet from the values before it."""
    t = np.arange(1.0, len(x) + 1.0)
    running_mean = (0.5 + np.cumsum(x)) / (t + 1.0)
    variance = np.concatenate(([0.25], (0.25 + np.cumsum((x - running_mean) ** 2)) / (t + 1.0)))[:-1]
    return np.asarray(np.sqrt(2.0 * math.log(2.0 / significance) / (variance * t * np.log1p(t))))


def _crossing(x: FloatArray, stakes: FloatArray, limit: float) -> float:
    """Find the mean at which the capital bet on "the mean is higher" passes the limit; it falls as the mean rises."""

    def log_capital(mean: float) -> float:
        stake = np.minimum(stakes, _LARGEST_STAKE / mean)
        return float(np.sum(np.log1p(stake * (x - mean))))

    if log_capital(_LEAST) < limit:
        return 0.0
    if log_capital(1.0) >= limit:
        return 1.0
    return float(optimize.brentq(lambda mean: log_capital(mean) - limit, _LEAST, 1.0, xtol=1e-16, rtol=1e-15))
