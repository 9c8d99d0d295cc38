from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from service.science import binomial, trial_columns
from service.science.checks import number
from service.science.errors import InputError
from service.science.trial_methods import find_method

if TYPE_CHECKING:
    from collections.abc import Sequence

_MOST_OUTCOMES = 100_000


@dataclass(frozen=True, slots=True)
class Sequential:
    """Evidence against guessing after each presentation, valid however often it is looked at."""

    method: str
    presented: int
    correct: int
    significance: float
    e_value: float
    largest_e_value: float
    p_value: float
    crossed_at: int | None
    path: tuple[float, ...]


def sequential(method: str, outcomes: Sequence[bool], significance: float = 0.05) -> Sequential:
    """Follow the evidence against guessing through a trial, in the order of tasting.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    outcomes : sequence of bool
        Whether each answer was right, 1 to 100 000 of them. Valid where every order was a fresh fair draw and every
        presentation begun is in it.
    significance : float
        The evidence counts as having crossed where it reaches one over this, 0.0001 to 0.5.

    Returns
    -------
    Sequential
        `p_value` is one over the largest e-value, at most 1; `crossed_at` counts presentations from 1.

    Raises
    ------
    InputError
        For an unknown method, no outcomes or too many, a significance out of range.

    References
    ----------
    Uniform mixture above chance; Ville 1939; Ramdas, Grunwald, Vovk & Shafer, arXiv 2210.01948.

    """
    guess = find_method(method).guess_probability
    level = float(number("significance", significance, 0.0001, 0.5, "chance of a false alarm; 0.05 is customary"))
    if not 1 <= len(outcomes) <= _MOST_OUTCOMES:
        raise InputError("outcomes", f"must hold 1 to {_MOST_OUTCOMES} answers, in tasting order.")
    answers = np.asarray(outcomes)
    if answers.dtype != np.bool_:
        answers = trial_columns.whole_numbers("outcomes", answers, 0, 1, "true where the answer was right")
    right = answers.cumsum(dtype=np.float64)
    log_e = binomial.log_mixture_e_value(right, np.arange(1.0, len(outcomes) + 1.0), guess)
    enough, most = -math.log(level), float(log_e.max())
    path = binomial.e_value_from_log(log_e)
    return Sequential(
        method=method,
        presented=len(outcomes),
        correct=int(right[-1]),
        significance=level,
        e_value=float(path[-1]),
        largest_e_value=float(path.max()),
        p_value=min(1.0, math.exp(-most)),
        crossed_at=int((log_e >= enough).argmax()) + 1 if most >= enough else None,
        path=tuple(path.tolist()),
    )
