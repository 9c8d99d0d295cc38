"""From rows in order of receipt to the path of what could be said after each."""

import numpy as np

from service.evidence.aims import PERCEIVABLE
from service.evidence.collect import Collected
from service.evidence.drawing import Caption, clipped
from service.evidence.household_columns import trial_rows
from service.evidence.outcomes import words_for
from service.evidence.path import Path
from service.evidence.wording import TOLD_APART, capital, households
from service.science.pooling.any_time import e_process
from service.science.pooling.any_time_t import any_time_t

_AXIS_LETTERS = 34


def path_of_trials(collected: Collected) -> Path:
    """Follow the evidence that someone can tell."""
    rows = trial_rows(collected.of(PERCEIVABLE).inside_the_test)
    steps = e_process(rows.correct, rows.presented, rows.guess, rows.household).log_path.tolist()
    return Path(
        caption=Caption(
            collected.question.title,
            (
                f"Evidence that someone can tell, over {households(rows.households)}, read after each study.",
                "Dashed line: 20 to 1, which guessing reaches at most 1 time in 20, however often one looks. "
                "Dotted: even.",
            ),
        ),
        kind="evidence",
        axis_name="evidence, so many to 1",
        middle=steps,
        low=[None] * len(steps),
        high=[None] * len(steps),
        marks=[TOLD_APART],
    )


def path_of_differences(collected: Collected, outcome: str, matters: float | None) -> Path:
    """Follow the mean over households and its any-time interval; `matters` is on the outcome's scale."""
    words = words_for(outcome)
    households_so_far: dict[object, list[float]] = {}
    middle, low, high = [], [], []
    for row in collected.of(outcome):
        if row.difference is None:
            continue
        households_so_far.setdefault(row.household_id, []).append(row.difference)
        values = np.array([sum(each) / len(each) for each in households_so_far.values()])
        bound = any_time_t(values)
        middle.append(float(values.mean()))
        low.append(bound.low)
        high.append(bound.high)
    scale = "logarithm of treatment over control" if words.scale == "log_ratio" else "treatment less control"
    said = "" if matters is None else " Dotted lines: the size that was said to matter."
    return Path(
        caption=Caption(
            collected.question.title,
            (
                f"{capital(words.title)}, {scale}: the mean over households after each study, with the range that may "
                "be read at any time. The first few households bound nothing.",
                f"Dashed line: no difference.{said}",
            ),
        ),
        kind="range",
        axis_name=f"{clipped(words.title, _AXIS_LETTERS)}, {scale}",
        middle=middle,
        low=low,
        high=high,
        marks=[] if matters is None else [-matters, matters],
    )
