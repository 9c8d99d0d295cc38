"""The same mean with households weighed by their instruments, where these differ much."""

from service.evidence.measured_blocks import SecondMethod
from service.evidence.outcomes import OutcomeWords
from service.science.pooling.difference_results import PooledDifferences
from service.science.pooling.household_values import HouseholdValues
from service.science.pooling.random_effects import limits, pools, scaled

_INSTRUMENTS_DIFFER = 3.0
_FEWEST = 3
_CONFIDENCE = 0.95


def second_method(data: HouseholdValues, pooled: PooledDifferences, words: OutcomeWords) -> SecondMethod | None:
    """Pool by REML with instrument variances where the best and the worst instrument differ by more than 3 in SD.

    Parameters
    ----------
    data : HouseholdValues
        The households' values in the pool.
    pooled : PooledDifferences
        Their plain mean over households.
    words : OutcomeWords
        How the outcome is said.

    """
    if pooled.households < _FEWEST or pooled.identical or data.error is None or data.row_errors is None:
        return None
    least, most = data.row_errors
    if least <= 0.0 or most <= _INSTRUMENTS_DIFFER * least:
        return None
    weighed = pools(scaled(data.value, data.error), "reml", "all")
    bound = limits(weighed, "hartung_knapp_modified", _CONFIDENCE)
    estimate = float(weighed.mean[0])
    return SecondMethod(
        estimator="reml",
        interval="hartung_knapp_modified",
        estimate=estimate,
        low=float(bound.low[0]),
        high=float(bound.high[0]),
        reading=_reading(estimate, pooled, words),
    )


def _reading(ours: float, pooled: PooledDifferences, words: OutcomeWords) -> str:
    plain, error = pooled.estimate or 0.0, pooled.standard_error
    said = (
        f"Weighed by their instruments, households average {words.signed(ours)}; counted alike, {words.signed(plain)}."
    )
    if error is not None and abs(ours - plain) > error:
        return f"{said} Precise and imprecise households disagree."
    return said
