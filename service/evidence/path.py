"""The path: what could be said after each arrival, and the line that it had to cross."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from service.evidence.drawing import ACCENT, FAINT, INK, SMALL_PT, Caption, Format, Sheet

_BODY_IN = 3.4
_LEFT_IN, _WIDE_IN, _HIGH_IN = 0.8, 4.95, 2.5
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_LOG_10 = 2.302585092994046


@dataclass(frozen=True, slots=True)
class Path:
    """What the drawing shows; `steps` are the studies after which it does, numbered from 1.

    Of `evidence` `middle` holds natural logarithms of e-values and `marks` e-values; of `range` `middle` holds means
    with their any-time limits, and `marks` the sizes that matter.
    """

    caption: Caption
    kind: Literal["evidence", "range"]
    axis_name: str
    steps: Sequence[int]
    middle: Sequence[float]
    low: Sequence[float | None]
    high: Sequence[float | None]
    marks: Sequence[float]


def draw_path(path: Path, kind: Format) -> bytes:
    """Draw a path; `kind` is `svg` or `png`."""
    sheet = Sheet(path.caption, _BODY_IN)
    sheet.write(0.15, sheet.top_in + 0.04, path.axis_name, size=SMALL_PT, va="top")
    axes = sheet.axes(_LEFT_IN, _WIDE_IN, 0.32, _HIGH_IN)
    axes.spines["left"].set_visible(True)
    axes.spines["left"].set_color(FAINT)
    axes.set_xlim(0.5, max(path.steps, default=1) + 0.5)
    axes.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    axes.set_xlabel("studies, in order of receipt", fontsize=SMALL_PT, color=INK)
    (_evidence if path.kind == "evidence" else _range)(axes, path)
    if not path.steps:
        axes.text(0.5, 0.5, "nothing to draw yet", transform=axes.transAxes, ha="center", va="center", color=INK)
    return sheet.bytes_as(kind)


def _evidence(axes: Axes, path: Path) -> None:
    steps = path.steps
    # Powers of ten on an even axis: evidence outgrows what a double holds.
    powers = [log_e / _LOG_10 for log_e in path.middle]
    axes.set_ylim(min([*powers, -1.0]) - 0.25, max([*powers, 2.0]) + 0.35)
    axes.yaxis.set_major_locator(MaxNLocator(7, integer=True))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda power, _: _odds(round(power))))
    axes.axhline(0.0, color=FAINT, linewidth=0.9, linestyle=(0, (1, 2)))
    for mark in path.marks:
        axes.axhline(math.log10(mark), color=ACCENT, linewidth=1.1, linestyle=(0, (4, 3)))
    axes.plot(
        steps, powers, color=INK, linewidth=1.4, drawstyle="steps-post" if len(steps) > 1 else "default", zorder=3
    )
    axes.plot(steps, powers, color=INK, marker="o", markersize=_dot(steps), linestyle="none", zorder=4)


def _odds(power: int) -> str:
    """Write a power of ten."""
    if power >= 5 or power <= -4:
        return "10" + str(power).translate(_RAISED)
    value = 10.0**power
    return f"{value:g}" if value < 1000.0 else f"{value:,.0f}".replace(",", " ")


def _range(axes: Axes, path: Path) -> None:
    steps = path.steps
    shown = [
        (step, low, high)
        for step, low, high in zip(steps, path.low, path.high, strict=True)
        if low is not None and high is not None
    ]
    values = [0.0, *path.marks, *path.middle]
    # The first bounded steps can be many times wider than all later ones: the last two thirds set the scale.
    for _, low, high in shown[len(shown) // 3 :]:
        values += [low, high]
    room = 0.08 * (max(values) - min(values)) or 1.0
    axes.set_ylim(min(values) - room, max(values) + room)
    axes.yaxis.set_major_locator(MaxNLocator(6))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.4g}".replace("-", "−")))
    axes.axhline(0.0, color=FAINT, linewidth=1.1, linestyle=(0, (4, 3)))
    for mark in path.marks:
        axes.axhline(mark, color=ACCENT, linewidth=0.9, linestyle=(0, (1, 2)))
    if shown:
        axes.vlines(*zip(*shown, strict=True), color=ACCENT, linewidth=1.6)
    axes.plot(steps, path.middle, color=INK, marker="o", markersize=_dot(steps), linewidth=1.0, zorder=3)


def _dot(steps: Sequence[int]) -> float:
    return 4.5 if len(steps) <= 25 else 3.0 if len(steps) <= 80 else 1.6
