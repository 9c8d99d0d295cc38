"""From rows in order of receipt to the path of what could be said after each."""

from math import isfinite

import numpy as np
import numpy.typing as npt

from service.evidence.aims import PERCEIVABLE
from service.evidence.collect import Collected
from service.evidence.drawing import Caption, clipped
from service.evidence.household_columns import trial_rows
from service.evidence.measured_robustness import with_difference
from service.evidence.outcomes import words_for
from service.evidence.path import Path
from service.evidence.wording import TOLD_APART, capital, households
from service.science.plain_words import whole
from service.science.pooling.any_time import e_process
from service.science.pooling.any_time_t import any_time_path

IntArray = npt.NDArray[np.int64]

_AXIS_LETTERS = 34
_MOST_STEPS = 500
"""More can't be told apart in a drawing."""


def path_of_trials(collected: Collected) -> Path:
    """Follow the evidence that someone can tell."""
    rows = trial_rows(collected.of(PERCEIVABLE).inside_the_test)
    path = e_process(rows.correct, rows.presented, rows.guess, rows.household).log_path
    drawn = _drawn(len(path))
    return Path(
        caption=Caption(
            collected.question.title,
            (
                f"Evidence that someone can tell, over {households(rows.households)}, read after each study.",
                "Dashed line: 20 to 1, which guessing reaches at most 1 time in 20, however often one looks. "
                f"Dotted: even.{_thinned(len(path))}",
            ),
        ),
        kind="evidence",
        axis_name="evidence, so many to 1",
        steps=(drawn + 1).tolist(),
        middle=path[drawn].tolist(),
        low=[None] * len(drawn),
        high=[None] * len(drawn),
        marks=[TOLD_APART],
    )


def path_of_differences(collected: Collected, outcome: str, matters: float | None) -> Path:
    """Follow the mean over households and its any-time interval; `matters` is on the outcome's scale."""
    words = words_for(outcome)
    rows = with_difference(collected.of(outcome))
    path = any_time_path(rows.number("difference"), rows.household)
    drawn = _drawn(len(rows))
    low, high = ([each if isfinite(each) else None for each in end[drawn].tolist()] for end in (path.low, path.high))
    scale = "logarithm of treatment over control" if words.scale == "log_ratio" else "treatment less control"
    said = "" if matters is None else " Dotted lines: the size that was said to matter."
    return Path(
        caption=Caption(
            collected.question.title,
            (
                f"{capital(words.title)}, {scale}: the mean over households after each study, with the range that may "
                "be read at any time. The first few households bound nothing.",
                f"Dashed line: no difference.{said}{_thinned(len(rows))}",
            ),
        ),
        kind="range",
        axis_name=f"{clipped(words.title, _AXIS_LETTERS)}, {scale}",
        steps=(drawn + 1).tolist(),
        middle=path.mean[drawn].tolist(),
        low=low,
        high=high,
        marks=[] if matters is None else [-matters, matters],
    )


def _drawn(count: int) -> IntArray:
    """Choose the studies after which a path is drawn: all, or some evenly apart and the last."""
    return np.linspace(0, count - 1, min(count, _MOST_STEPS)).astype(np.int64)


def _thinned(count: int) -> str:
    return "" if count <= _MOST_STEPS else f" {_MOST_STEPS} of {whole(count)} studies are drawn, evenly apart."
