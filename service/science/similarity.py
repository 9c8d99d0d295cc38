from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from service.science import binomial, single_binomial, trial_columns
from service.science.checks import number
from service.science.errors import InputError
from service.science.trial_methods import find_method

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from service.science.checks import Numeric
    from service.science.trial_columns import Count


_ONE, _MANY = "this taster and these two batches", "tasters like these and these two batches"

_PEOPLE = "people who tasted"
_LIMIT = "the share of servings told apart that would still not matter"
_REPEATS = (
    "several tasters must have one presentation each: with repeats a similarity test understates its error; test each "
    "taster alone."
)


@dataclass(frozen=True, slots=True)
class Similarity:
    """Whether any difference is below a limit chosen before serving; leaves as in `Significance`.

    The upper limit is one-sided. The two p-values are those of `significance`: a difference may be there and small, and
    far too few right point to a mix-up.
    """

    method: str
    presented: Count
    correct: Count
    tasters: Count
    largest_tolerable_discriminating: Numeric
    confidence: Numeric
    most_correct_allowed: int | NDArray[np.object_] | None
    similar: bool | NDArray[np.bool_]
    proportion_discriminating_upper: Numeric
    difference_p_value: Numeric
    lower_tail_p_value: Numeric
    holds_for: str | NDArray[np.object_]


def similarity(
    method: str,
    presented: Count,
    correct: Count,
    tasters: Count = 1,
    *,
    largest_tolerable_discriminating: Numeric = 0.3,
    confidence: Numeric = 0.95,
) -> Similarity:
    """Test whether the proportion discriminating is below a limit that was chosen before serving.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    presented, correct : int or array
        Presentations served and answered rightly.
    tasters : int or array
        How many people tasted: one, or as many as presentations. Several with repeats are refused, because tasters
        who differ break the test's guarantee.
    largest_tolerable_discriminating : float or array
        The limit, above 0 and below 1.
    confidence : float or array
        One less the chance of calling a difference at the limit similar, 0.5 to 0.9999.

    Raises
    ------
    InputError
        As in `significance`; for a limit out of range; for several tasters with repeats.

    References
    ----------
    ISO 4120:2004 table A.2 and ISO 5495:2005 table A.3: the exact lower binomial tail at the limit, and no conclusion
    where the most correct allowed would be fewer than guessing averages.

    """
    guess = find_method(method).guess_probability
    tolerable = number("largest_tolerable_discriminating", largest_tolerable_discriminating, 0.001, 0.999, _LIMIT)
    if (
        isinstance(presented, int)
        and isinstance(correct, int)
        and isinstance(tasters, int)
        and isinstance(tolerable, float)
        and isinstance(confidence, float)
    ):
        return _of_one(method, guess, (presented, correct, tasters), tolerable, confidence)
    n, x = trial_columns.counts(presented, correct)
    level = trial_columns.confidence_level(confidence)
    people = trial_columns.whole_numbers("tasters", tasters, 1, trial_columns.MOST_PRESENTED, _PEOPLE)
    columns = trial_columns.together(
        presented=n, correct=x, tasters=people, largest_tolerable_discriminating=np.asarray(tolerable), confidence=level
    )
    once_each = (columns[2] == 1) | (columns[2] == columns[0])
    if not once_each.all():
        raise InputError("tasters", _REPEATS, trial_columns.first_false(once_each))
    (n, x, people, limit, level), in_each_row = trial_columns.distinct_rows(*columns)

    def given(value: NDArray[Any]) -> Any:  # noqa: ANN401  (a number or an array, as the arguments were)
        return trial_columns.as_given(in_each_row(value))

    most = n - binomial.fewest_count(n, (1.0 - guess) * (1.0 - limit), 1.0 - level)
    may_conclude = (most >= 0) & (most >= n * guess - 1e-9)
    upper = np.maximum((binomial.upper_limit(x, n, 1.0 - level) - guess) / (1.0 - guess), 0.0)
    served, right, tasted, asked, sure = columns
    return Similarity(
        method=method,
        presented=trial_columns.counts_as_given(served),
        correct=trial_columns.counts_as_given(right),
        tasters=trial_columns.counts_as_given(tasted),
        largest_tolerable_discriminating=trial_columns.as_given(asked),
        confidence=trial_columns.as_given(sure),
        most_correct_allowed=trial_columns.optional_counts(in_each_row(most), in_each_row(may_conclude)),
        similar=given(may_conclude & (x <= most)),
        proportion_discriminating_upper=given(upper),
        difference_p_value=given(binomial.upper_tail(x, n, guess)),
        lower_tail_p_value=given(binomial.lower_tail(x, n, guess)),
        holds_for=given(np.where(people == 1, np.asarray(_ONE, dtype=object), np.asarray(_MANY, dtype=object))),
    )


def _of_one(
    method: str, guess: float, counted: tuple[int, int, int], tolerable: float, confidence: float
) -> Similarity:
    presented, correct, tasters = counted
    n, x = trial_columns.counts_of_one(presented, correct)
    tail = 1.0 - trial_columns.confidence_of_one(confidence)
    if number("tasters", tasters, 1, trial_columns.MOST_PRESENTED, _PEOPLE) not in {1.0, n}:
        raise InputError("tasters", _REPEATS)
    most = n - single_binomial.fewest_count(n, (1.0 - guess) * (1.0 - tolerable), tail)
    may_conclude = most >= 0.0 and most >= n * guess - 1e-9
    return Similarity(
        method=method,
        presented=presented,
        correct=correct,
        tasters=tasters,
        largest_tolerable_discriminating=tolerable,
        confidence=confidence,
        most_correct_allowed=int(most) if may_conclude else None,
        similar=may_conclude and x <= most,
        proportion_discriminating_upper=max((single_binomial.upper_limit(x, n, tail) - guess) / (1.0 - guess), 0.0),
        difference_p_value=single_binomial.upper_tail(x, n, guess),
        lower_tail_p_value=single_binomial.lower_tail(x, n, guess),
        holds_for=_ONE if tasters == 1 else _MANY,
    )
