"""Yes-or-no outcomes of several batches in each arm: one common ratio over households, each its own table."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.errors import InputError

FloatArray = npt.NDArray[np.float64]

_SMALLEST = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True, slots=True)
class LogRatio:
    """The logarithm of a ratio with its standard error; None where the tables leave it without a bound."""

    estimate: float | None
    standard_error: float | None


@dataclass(frozen=True, slots=True)
class CommonRatio:
    """Ratios of treatment to control common to all tables, and the test that they are 1.

    `chi_square` is Cochran, Mantel and Haenszel's, continuity corrected, with one degree of freedom.
    """

    log_odds_ratio: LogRatio
    log_risk_ratio: LogRatio
    peto_log_odds_ratio: LogRatio
    chi_square: float
    p_value: float


def common_ratio(
    treated_yes: npt.ArrayLike, treated_no: npt.ArrayLike, control_yes: npt.ArrayLike, control_no: npt.ArrayLike
) -> CommonRatio:
    """Pool 2x2 tables, one for each household, without correcting small counts.

    Parameters
    ----------
    treated_yes, treated_no, control_yes, control_no : array of int
        Batches of each arm in which the thing did and did not happen.

    Raises
    ------
    InputError
        For counts that are negative or not finite, or columns of unequal length.

    References
    ----------
    Mantel & Haenszel 1959 JNCI 22:719; Robins, Breslow & Greenland 1986 Biometrics 42:311 (variance of the odds ratio);
    Greenland & Robins 1985 (of the risk ratio); Peto's one-step odds ratio.

    """
    named = (
        ("treated_yes", treated_yes),
        ("treated_no", treated_no),
        ("control_yes", control_yes),
        ("control_no", control_no),
    )
    a, b, c, d = (_column(name, values) for name, values in named)
    if not len(a) == len(b) == len(c) == len(d):
        raise InputError("control_no", "all four columns must have one number for each household")
    n = a + b + c + d
    a, b, c, d, n = (column[n > 0.0] for column in (a, b, c, d, n))
    spread = (a + b) * (c + d) * (a + c) * (b + d) / (n * n)
    variance = float(np.sum(spread / np.maximum(n - 1.0, 1.0)))
    excess = float(np.sum(a - (a + b) * (a + c) / n))
    chi_square = max(abs(excess) - 0.5, 0.0) ** 2 / variance if variance > 0.0 else 0.0
    p_value = max(float(special.chdtrc(1.0, chi_square)), _SMALLEST)
    peto = LogRatio(excess / variance, 1.0 / math.sqrt(variance)) if variance > 0.0 else LogRatio(None, None)
    return CommonRatio(_log_odds_ratio(a, b, c, d, n), _log_risk_ratio(a, b, c, d, n), peto, chi_square, p_value)


def _log_odds_ratio(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, n: FloatArray) -> LogRatio:
    r, s = a * d / n, b * c / n
    p, q = (a + d) / n, (b + c) / n
    total_r, total_s = float(r.sum()), float(s.sum())
    if total_r == 0.0 or total_s == 0.0:
        return LogRatio(None, None)
    variance = 0.5 * (
        float(p @ r) / total_r**2 + float(p @ s + q @ r) / (total_r * total_s) + float(q @ s) / total_s**2
    )
    return LogRatio(math.log(total_r / total_s), math.sqrt(variance))


def _log_risk_ratio(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, n: FloatArray) -> LogRatio:
    treated, control = a + b, c + d
    r, s = float(np.sum(a * control / n)), float(np.sum(c * treated / n))
    if r == 0.0 or s == 0.0:
        return LogRatio(None, None)
    variance = float(np.sum((treated * control * (a + c) - a * c * n) / (n * n))) / (r * s)
    return LogRatio(math.log(r / s), math.sqrt(max(variance, 0.0)))


def _column(field: str, values: npt.ArrayLike) -> FloatArray:
    column = np.atleast_1d(np.asarray(values, dtype=np.float64))
    good = (column >= 0.0) & (column <= 1e9)
    if not good.all():
        raise InputError(field, "must be counts of batches, 0 or more", int(np.argmin(good)))
    return column
