"""Whether households' differences go with a condition that they share: associations, not experiments."""

import math

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.pooling.difference_results import (
    NO_MODERATOR,
    NO_SMALL_STUDY,
    NO_SUBGROUPS,
    Coefficient,
    Moderator,
    SmallStudy,
    Subgroup,
    Subgroups,
)
from service.science.pooling.household_values import HouseholdValues
from service.science.pooling.random_effects import Scaled, pools, scaled
from service.science.pooling.regression import Regression, egger, is_too_far, mixed_regression
from service.science.pooling.results import Withheld

FloatArray = npt.NDArray[np.float64]

FEWEST_FOR_MODERATOR = 10
FEWEST_PER_GROUP = 3
FEWEST_FOR_ASYMMETRY = 10
LEAST_RATIO_OF_ERRORS = 2.0

_SMALLEST = float(np.finfo(np.float64).tiny)


def moderation(data: HouseholdValues, level: float) -> tuple[Moderator, list[Withheld]]:
    """Regress differences on one number of the household's.

    Parameters
    ----------
    data : HouseholdValues
        Households without the number drop out.
    level : float
        Confidence.

    References
    ----------
    REML with the interval of Knapp & Hartung 2003 Stat Med 22:2693; without standard errors, least squares.

    """
    if data.moderator is None:
        return NO_MODERATOR, []
    there = ~np.isnan(data.moderator)
    x, y = data.moderator[there], data.value[there]
    k = len(x)
    if k < FEWEST_FOR_MODERATOR:
        return NO_MODERATOR, [Withheld("moderator", f"{k} households with it; {FEWEST_FOR_MODERATOR} are needed")]
    if np.all(x == x[0]):
        return NO_MODERATOR, [Withheld("moderator", "it is the same in every household")]
    centre, spread = float(np.mean(x)), float(np.std(x))
    at = (x - centre) / spread
    plain, sure = _readings(data, y, there)
    fit = mixed_regression(sure, np.column_stack((np.ones(k), at)))
    back = np.array([[1.0, -centre / spread], [0.0, 1.0 / spread]])
    intercept, slope = (
        _coefficient(value, variance, fit, level)
        for value, variance in zip(
            (back @ fit.coefficients).tolist(), np.diag(back @ fit.covariance @ back.T).tolist(), strict=True
        )
    )
    before, after = _between(plain, sure, fit)
    r2 = None if before <= 0.0 else 100.0 * max(0.0, (before - after) / before)
    return Moderator(slope, intercept, after, k, fit.freedom, r2), []


def _readings(data: HouseholdValues, y: FloatArray, there: npt.NDArray[np.bool_]) -> tuple[Scaled, Scaled]:
    """Give the values with their errors, and with errors that a regression can weigh.

    Where readings have no error all weights are equal, and Hartung and Knapp's interval is that of least squares.
    """
    error = np.zeros_like(y) if data.error is None else data.error[there]
    plain = scaled(y, error)
    if not plain.exact:
        return plain, plain
    return plain, Scaled(plain.y, np.ones_like(y), plain.centre, plain.scale, exact=False)


def _between(plain: Scaled, sure: Scaled, fit: Regression) -> tuple[float, float]:
    """Give the variance between households before and after the moderator."""
    if not plain.exact:
        return float(pools(plain, "reml", "all").tau2[0]), fit.tau2
    residual = fit.q * (fit.tau2 + sure.scale**2)
    return float(pools(plain, "reml", "all").tau2[0]), residual


def _coefficient(value: float, variance: float, fit: Regression, level: float) -> Coefficient:
    error = math.sqrt(max(variance, 0.0) * fit.q)
    if error == 0.0:
        return Coefficient(value, None, None, None, None)
    reach = float(special.stdtrit(fit.freedom, 0.5 + 0.5 * level)) * error
    p_value = max(2.0 * float(special.stdtr(fit.freedom, -abs(value) / error)), _SMALLEST)
    return Coefficient(value, error, value - reach, value + reach, p_value)


def groups_of(data: HouseholdValues, level: float) -> tuple[Subgroups, list[Withheld]]:
    """Compare groups of households under one common variance between households.

    Parameters
    ----------
    data : HouseholdValues
        Households without a group drop out.
    level : float
        Confidence.

    References
    ----------
    Knapp & Hartung 2003: F with G - 1 and k - G degrees of freedom.

    """
    if data.group is None:
        return NO_SUBGROUPS, []
    names = list(dict.fromkeys(name for name in data.group if name is not None))
    there = np.array([name is not None for name in data.group])
    place = np.array([names.index(name) for name in data.group if name is not None])
    sizes = np.bincount(place)
    k = len(place)
    if k <= len(names):
        return NO_SUBGROUPS, [Withheld("subgroups", "no more households than groups")]
    fit = group_regression(_readings(data, data.value[there], there)[1], place, len(names))
    means = fit.coefficients.tolist()
    quantile = float(special.stdtrit(fit.freedom, 0.5 + 0.5 * level))
    reaches = (quantile * np.sqrt(np.diag(fit.covariance) * fit.q)).tolist()
    enough = (sizes >= FEWEST_PER_GROUP).tolist()
    listed = tuple(
        Subgroup(name, size, mean, mean - reach, mean + reach) if shown and reach > 0.0 else Subgroup(name, size, mean)
        for name, size, mean, reach, shown in zip(names, sizes.tolist(), means, reaches, enough, strict=True)
    )
    tau2 = None if data.error is None else fit.tau2
    if len(names) < 2 or not all(enough) or fit.q == 0.0:
        why = f"two groups of {FEWEST_PER_GROUP} or more differing households each are needed for a test"
        return Subgroups(listed, tau2, None, None, None, None), [Withheld("subgroups.p_value", why)]
    f = between_groups(fit) / (len(names) - 1) / fit.q
    p_value = max(float(special.fdtrc(len(names) - 1, fit.freedom, f)), _SMALLEST)
    return Subgroups(listed, tau2, f, len(names) - 1, fit.freedom, p_value), []


def group_regression(data: Scaled, place: npt.NDArray[np.int64], groups: int) -> Regression:
    """Fit the means of groups under one common tau2.

    Parameters
    ----------
    data : Scaled
        Households' values and variances.
    place : array of int
        The group of each household.
    groups : int
        How many there are.

    """
    return mixed_regression(data, (place[:, None] == np.arange(groups)).astype(np.float64))


def between_groups(fit: Regression) -> float:
    """Compute Wald's chi-square of equal group means, G - 1 degrees of freedom.

    Parameters
    ----------
    fit : Regression
        With one column for each group.

    """
    weights = 1.0 / np.diag(fit.covariance)
    gaps = fit.coefficients - float(weights @ fit.coefficients) / float(weights.sum())
    return float(weights @ (gaps * gaps))


def asymmetry(data: HouseholdValues) -> tuple[SmallStudy, list[Withheld]]:
    """Look for an asymmetry of small studies, where there is anything to see it by.

    Parameters
    ----------
    data : HouseholdValues
        Households' values and standard errors.

    References
    ----------
    Egger et al. 1997 BMJ 315:629; Sterne et al. 2011 BMJ 343:d4002 (ten or more).

    """
    if data.error is None or len(data.value) < FEWEST_FOR_ASYMMETRY:
        why = f"{FEWEST_FOR_ASYMMETRY} households with standard errors are needed"
        return NO_SMALL_STUDY, [Withheld("small_study", why)]
    smallest, largest = float(data.error.min()), float(data.error.max())
    if smallest <= 0.0 or largest < LEAST_RATIO_OF_ERRORS * smallest:
        return NO_SMALL_STUDY, [Withheld("small_study", "standard errors hardly vary, so that they show nothing")]
    if is_too_far(data.value, data.error).any():
        return NO_SMALL_STUDY, [Withheld("small_study", "standard errors are too small beside the differences")]
    fit = egger(data.value, data.error)
    return SmallStudy(fit.intercept, fit.standard_error, fit.p_value), []
