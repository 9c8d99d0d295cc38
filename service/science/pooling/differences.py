"""Differences of many households as one answer, by the estimator and the interval that are asked for."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from service.science.errors import InputError
from service.science.pooling.conditions import asymmetry, groups_of, moderation
from service.science.pooling.difference_results import (
    CochranQ,
    Cumulative,
    DifferenceStudy,
    Estimator,
    IntervalName,
    LeftOut,
    NextHousehold,
    PooledDifferences,
)
from service.science.pooling.household_mean import (
    FEWEST_FOR_NEXT,
    FEWEST_FOR_RANGE,
    SMOOTH_NEXT,
    describe,
    finish,
    household_means,
)
from service.science.pooling.household_values import HouseholdValues, household_values
from service.science.pooling.random_effects import (
    Convention,
    Pools,
    Scaled,
    heterogeneity,
    limits,
    log_likelihood,
    pools,
    prediction,
    scaled,
    tau2_interval,
)
from service.science.pooling.results import NOTHING, Estimate, Withheld
from service.science.trial_columns import confidence_level

__all__ = ["DifferenceStudy", "PooledDifferences", "pool_differences"]

FloatArray = npt.NDArray[np.float64]

ESTIMATORS: tuple[Estimator, ...] = (
    "reml",
    "paule_mandel",
    "dersimonian_laird",
    "maximum_likelihood",
    "common",
    "household_mean",
)
INTERVALS: tuple[IntervalName, ...] = ("hartung_knapp_modified", "hartung_knapp", "wald", "student")

FEWEST_FOR_POINT_ALONE = 10
MOST_REFITTED = 500
"""With more households no single one moves the estimate visibly, and refitting without each would cost k squared."""


def pool_differences(
    studies: Sequence[DifferenceStudy],
    estimator: Estimator | None = None,
    interval: IntervalName | None = None,
    confidence: float = 0.95,
    smallest_that_matters: float | None = None,
    convention: Convention = "higgins_2009",
) -> PooledDifferences:
    """Pool households' differences.

    Parameters
    ----------
    studies : sequence of DifferenceStudy
        In order of receipt; a household's rows are averaged first.
    estimator : str, optional
        `reml` where every row has a standard error, else `household_mean`; also `paule_mandel`, `dersimonian_laird`,
        `maximum_likelihood` and `common`.
    interval : str, optional
        `hartung_knapp_modified`, or `student` for `household_mean`; also `hartung_knapp` and `wald`. Two households get
        a range only where it is asked for by name.
    confidence : float
        Of all intervals, 0.5 to 0.9999.
    smallest_that_matters : float, optional
        The smallest difference that matters, in the differences' unit, chosen before the data; gives the verdict.
    convention : str
        How the next household is predicted by a weighted pool.

    Returns
    -------
    PooledDifferences
        What too few households can't support is None and listed in `withheld`.

    Raises
    ------
    InputError
        For an unknown estimator or interval, standard errors that a weighted pool lacks or can't use, values that are
        not finite, a confidence out of range.

    References
    ----------
    `tau2`, `random_effects` and `conditions` name them one by one.

    """
    level = float(confidence_level(confidence))
    data = household_values(studies)
    chosen = _estimator(data, estimator)
    if interval is not None and interval not in INTERVALS:
        raise InputError("interval", f"must be one of {', '.join(INTERVALS)}")
    if chosen == "household_mean":
        if interval not in {None, "student"}:
            raise InputError("interval", "a plain mean of households goes with student; choose another estimator")
        result = household_means(data, level, smallest_that_matters)
    else:
        _refuse_unusable(studies, data, chosen)
        result = _weighted(data, chosen, interval, level, smallest_that_matters, convention)
    moderator, no_moderator = moderation(data, level)
    subgroups, no_subgroups = groups_of(data, level)
    small_study, no_small_study = asymmetry(data)
    withheld = (*result.withheld, *no_moderator, *no_subgroups, *no_small_study)
    return finish(replace(result, moderator=moderator, subgroups=subgroups, small_study=small_study, withheld=withheld))


def _estimator(data: HouseholdValues, estimator: Estimator | None) -> Estimator:
    if estimator is None:
        return "household_mean" if data.error is None else "reml"
    if estimator not in ESTIMATORS:
        raise InputError("estimator", f"must be one of {', '.join(ESTIMATORS)}")
    return estimator


def _refuse_unusable(studies: Sequence[DifferenceStudy], data: HouseholdValues, estimator: Estimator) -> None:
    """Refuse standard errors that give no weights: none, and 0 in some rows only."""
    for i, study in enumerate(studies):
        if study.standard_error is None:
            raise InputError("standard_error", f"{estimator} needs one in every row; use household_mean without", i)
    if data.error is None or not len(data.error):
        return
    none = data.error == 0.0
    if none.any() and (estimator == "common" or not none.all()):
        at_fault = next(i for i, study in enumerate(studies) if study.standard_error == 0.0)
        raise InputError("standard_error", "must be above 0, for its weight would be infinite", at_fault)


def _weighted(
    data: HouseholdValues,
    estimator: Estimator,
    asked: IntervalName | None,
    level: float,
    smallest_that_matters: float | None,
    convention: Convention,
) -> PooledDifferences:
    base = replace(describe(data, level, smallest_that_matters), estimator=estimator)
    interval = asked or "hartung_knapp_modified"
    if not base.households or data.error is None:
        return replace(base, interval=interval)
    readings = scaled(data.value, data.error)
    pool = pools(readings, estimator, "all")
    if base.identical and interval == "hartung_knapp":
        # Without residuals that interval has no width; the floor is what is left of it.
        interval = "hartung_knapp_modified"
    withheld = [each for each in base.withheld if each.output not in {"low, high", "next_household"}]
    result = _with_interval(base, pool, interval, level, withheld, asked=asked is not None)
    result = _with_heterogeneity(result, readings, pool, level, withheld)
    lower, upper = _next(pool, convention, level, withheld)
    left_out = _left_out(data, readings, estimator, interval, level, withheld)
    sign = math.copysign(1.0, result.estimate or 0.0)
    # As in `one_decides`: around practically the same, the sign claims nothing.
    turned = base.verdict != "practically_the_same" and any(each.estimate * sign < 0.0 for each in left_out)
    robustness = replace(
        base.robustness,
        leave_one_out=left_out,
        cumulative=_cumulative(data, readings, estimator, interval, level),
        one_household_decides=base.robustness.one_household_decides or turned,
    )
    named = None if lower is None else convention
    return replace(
        result,
        next_household=NextHousehold(lower, upper, named, rough=named is not None and base.households < SMOOTH_NEXT),
        weights_percent=_weights(readings, float(pool.tau2[0])),
        log_likelihood=log_likelihood(readings, estimator, float(pool.tau2[0])),
        robustness=robustness,
        withheld=tuple(withheld),
    )


def _with_interval(
    base: PooledDifferences, pool: Pools, interval: IntervalName, level: float, withheld: list[Withheld], *, asked: bool
) -> PooledDifferences:
    k = base.households
    if k == 1:
        withheld.append(Withheld("low, high", "one household: the range is that of its reading error alone"))
        interval = "wald"
    bound = limits(pool, interval, level)
    error = float(bound.error[0])
    shown = k == 1 or k >= FEWEST_FOR_RANGE or asked
    if not shown:
        withheld.append(Withheld("low, high", f"too few households for a range; {FEWEST_FOR_RANGE} are needed"))
    if error == 0.0:
        shown = False
        withheld.append(Withheld("low, high", "identical values read without error: rounding or copies?"))
    return replace(
        base,
        interval=interval,
        estimate=float(pool.mean[0]),
        standard_error=error,
        low=float(bound.low[0]) if shown else None,
        high=float(bound.high[0]) if shown else None,
        degrees_of_freedom=k - 1 if bound.freedom is not None and k > 1 else None,
        p_value=float(bound.p_value[0]) if shown and k > 1 else None,
    )


def _with_heterogeneity(
    result: PooledDifferences, readings: Scaled, pool: Pools, level: float, withheld: list[Withheld]
) -> PooledDifferences:
    k = result.households
    names = ("tau2", "q", "i2_percent", "i2_tau2_percent", "h2")
    if k < FEWEST_FOR_RANGE:
        why = f"{k} households; {FEWEST_FOR_RANGE} are needed to see how they differ"
        withheld.extend(Withheld(name, why) for name in names)
        return result
    tau2 = float(pool.tau2[0])
    found = heterogeneity(readings, tau2)
    if found is None:
        withheld.extend(Withheld(name, "readings were given as free of error") for name in names[1:])
        return replace(result, tau2=Estimate(tau2, None, None))
    ends = tau2_interval(readings, level)
    if ends is None:
        withheld.append(Withheld("tau2.low, tau2.high", "less spread than chance would give"))
    alone = ends is None and k < FEWEST_FOR_POINT_ALONE
    if alone:
        withheld.append(Withheld("tau2.estimate", f"without a range it is shown from {FEWEST_FOR_POINT_ALONE}"))
    between = NOTHING if alone else Estimate(tau2, *(ends or (None, None)))
    return replace(
        result,
        tau2=between,
        q=CochranQ(found.q, found.freedom, found.p_value),
        i2_percent=found.i2_percent,
        i2_tau2_percent=found.i2_tau2_percent,
        h2=found.h2,
    )


def _next(
    pool: Pools, convention: Convention, level: float, withheld: list[Withheld]
) -> tuple[float | None, float | None]:
    if pool.count[0] < FEWEST_FOR_NEXT:
        why = f"too early to say how households vary; {FEWEST_FOR_NEXT} are needed"
        withheld.append(Withheld("next_household", why))
        return None, None
    ends = prediction(pool, convention, level)
    return (None, None) if ends is None else ends


def _weights(readings: Scaled, tau2: float) -> tuple[float, ...]:
    if readings.exact:
        return (100.0 / len(readings.y),) * len(readings.y)
    w = 1.0 / (readings.v + tau2 / readings.scale**2)
    return tuple((100.0 * w / w.sum()).tolist())


Row = tuple[float, float | None, float | None, float]


def _rows(pool: Pools, interval: IntervalName, level: float) -> list[Row]:
    bound = limits(pool, interval, level)
    shown = ((pool.count >= FEWEST_FOR_RANGE) & (bound.error > 0.0)).tolist()
    columns = zip(shown, pool.mean.tolist(), bound.low.tolist(), bound.high.tolist(), pool.tau2.tolist(), strict=True)
    return [(mean, low if there else None, high if there else None, tau2) for there, mean, low, high, tau2 in columns]


def _left_out(
    data: HouseholdValues,
    readings: Scaled,
    estimator: Estimator,
    interval: IntervalName,
    level: float,
    withheld: list[Withheld],
) -> tuple[LeftOut, ...]:
    k = len(data.value)
    if k < FEWEST_FOR_RANGE:
        return ()
    if k > MOST_REFITTED:
        why = f"no single household decides among more than {MOST_REFITTED}"
        withheld.append(Withheld("robustness.leave_one_out, robustness.cumulative", why))
        return ()
    rows = _rows(pools(readings, estimator, "without_each"), interval, level)
    return tuple(LeftOut(label, *row) for label, row in zip(data.labels, rows, strict=True))


def _cumulative(
    data: HouseholdValues, readings: Scaled, estimator: Estimator, interval: IntervalName, level: float
) -> tuple[Cumulative, ...]:
    if not 2 <= len(data.value) <= MOST_REFITTED:
        return ()
    rows = _rows(pools(readings, estimator, "up_to_each"), interval, level)
    steps = (Cumulative(label, i + 1, *row) for i, (label, row) in enumerate(zip(data.labels, rows, strict=True)))
    return tuple(steps)[1:]
