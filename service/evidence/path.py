"""The path: what could be said after each arrival, and the line that it had to cross."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from service.evidence.drawing import ACCENT, FAINT, INK, SMALL_PT, Caption, Format, Sheet

_BODY_IN = 3.4
_LEFT_IN, _WIDE_IN, _HIGH_IN = 0.8, 4.95, 2.5
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_LOG_10 = 2.302585092994046
_HIGHEST = 300.0
"""The power of ten that a double still holds."""


@dataclass(frozen=True, slots=True)
class Path:
    """What the drawing shows, one step for each arrival.

    Of `evidence` `middle` holds natural logarithms of e-values and `marks` e-values; of `range` `middle` holds means
    with their any-time limits, and `marks` the sizes that matter.
    """

    caption: Caption
    kind: Literal["evidence", "range"]
    axis_name: str
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
    steps = list(range(1, len(path.middle) + 1))
    axes.set_xlim(0.5, max(len(steps), 1) + 0.5)
    axes.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    axes.set_xlabel("studies, in order of receipt", fontsize=SMALL_PT, color=INK)
    (_evidence if path.kind == "evidence" else _range)(axes, path, steps)
    if not steps:
        axes.text(0.5, 0.5, "nothing to draw yet", transform=axes.transAxes, ha="center", va="center", color=INK)
    return sheet.bytes_as(kind)


def _evidence(axes: Axes, path: Path, steps: Sequence[int]) -> None:
    powers = [min(max(log_e / _LOG_10, -_HIGHEST), _HIGHEST) for log_e in path.middle]
    values = [10.0**power for power in powers]
    axes.set_yscale("log")
    axes.set_ylim(10.0 ** (min([*powers, -1.0]) - 0.25), 10.0 ** (max([*powers, 2.0]) + 0.35))
    axes.yaxis.set_major_locator(LogLocator(10.0, numticks=7))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: _odds(value)))
    axes.axhline(1.0, color=FAINT, linewidth=0.9, linestyle=(0, (1, 2)))
    for mark in path.marks:
        axes.axhline(mark, color=ACCENT, linewidth=1.1, linestyle=(0, (4, 3)))
    axes.plot(
        steps, values, color=INK, linewidth=1.4, drawstyle="steps-post" if len(steps) > 1 else "default", zorder=3
    )
    axes.plot(steps, values, color=INK, marker="o", markersize=_dot(steps), linestyle="none", zorder=4)


def _odds(value: float) -> str:
    if value >= 1e5 or value <= 1e-4:
        exponent = f"{value:.0e}".split("e")[1]
        return "10" + str(int(exponent)).translate(_RAISED)
    return f"{value:g}" if value < 1000.0 else f"{value:,.0f}".replace(",", " ")


def _range(axes: Axes, path: Path, steps: Sequence[int]) -> None:
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
    for step, low, high in shown:
        axes.plot([step, step], [low, high], color=ACCENT, linewidth=1.6, solid_capstyle="butt", clip_on=True)
    axes.plot(steps, path.middle, color=INK, marker="o", markersize=_dot(steps), linewidth=1.0, zorder=3)


def _dot(steps: Sequence[int]) -> float:
    return 4.5 if len(steps) <= 25 else 3.0 if len(steps) <= 80 else 1.6
