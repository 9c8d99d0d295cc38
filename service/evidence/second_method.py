"""The same mean with households weighed by their instruments, where these differ much."""

from collections.abc import Sequence

from service.evidence.measured_blocks import SecondMethod
from service.evidence.outcomes import OutcomeWords
from service.science.pooling.difference_results import DifferenceStudy, PooledDifferences
from service.science.pooling.differences import pool_differences

_INSTRUMENTS_DIFFER = 3.0
_FEWEST = 3


def second_method(
    studies: Sequence[DifferenceStudy], pooled: PooledDifferences, words: OutcomeWords
) -> SecondMethod | None:
    """Pool by REML with instrument variances where the best and the worst instrument differ by more than 3 in SD.

    Parameters
    ----------
    studies : sequence of DifferenceStudy
        The rows in the pool.
    pooled : PooledDifferences
        Their plain mean over households.
    words : OutcomeWords
        How the outcome is said.

    """
    errors = [study.standard_error for study in studies if study.standard_error]
    if pooled.households < _FEWEST or pooled.identical or len(errors) < len(studies):
        return None
    if max(errors) <= _INSTRUMENTS_DIFFER * min(errors):
        return None
    weighed = pool_differences(studies, "reml", "hartung_knapp_modified")
    return SecondMethod(
        estimator=weighed.estimator,
        interval=weighed.interval,
        estimate=weighed.estimate,
        low=weighed.low,
        high=weighed.high,
        reading=_reading(weighed, pooled, words),
    )


def _reading(weighed: PooledDifferences, pooled: PooledDifferences, words: OutcomeWords) -> str:
    ours, plain, error = weighed.estimate or 0.0, pooled.estimate or 0.0, pooled.standard_error
    said = (
        f"Weighed by their instruments, households average {words.signed(ours)}; counted alike, {words.signed(plain)}."
    )
    if error is not None and abs(ours - plain) > error:
        return f"{said} Precise and imprecise households disagree."
    return said
