"""The forest: every study with its interval, the mean under them, and where the next household may fall."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator
from matplotlib.transforms import blended_transform_factory

from service.evidence.drawing import (
    ACCENT,
    FAINT,
    FONT_PT,
    INK,
    SMALL_PT,
    WIDTH_IN,
    Caption,
    Format,
    Sheet,
    clipped,
    plain,
)

_ROW_IN = 0.25
_HEAD_IN = 0.28
_AXIS_IN = 0.56
_LEFT_IN, _COUNT_IN, _AXES_IN, _AXES_WIDE_IN, _VALUE_IN = 0.15, 2.0, 2.2, 2.72, 5.85
_LARGEST_SQUARE_PT = 9.0
_SMALLEST_SQUARE_PT = 3.5
_NAME_LETTERS = 19
_RATIOS = (0.1, 0.2, 0.25, 0.33, 0.5, 0.67, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.25, 1.5, 2.0, 3.0, 4.0, 5.0, 10.0)

AxisKind = Literal["in_100", "d_prime", "number", "ratio"]


@dataclass(frozen=True, slots=True)
class Line:
    """A named estimate with its limits; a limit that is None runs off the axis."""

    name: str
    estimate: float | None
    low: float | None
    high: float | None
    value: str


@dataclass(frozen=True, slots=True)
class Study(Line):
    """One study; the square's area goes with `weight`, and it is filled where the study was promised beforehand."""

    count: str
    weight: float
    promised: bool


@dataclass(frozen=True, slots=True)
class Forest:
    """All that the drawing shows; `marks` are the sizes that matter, on the axis."""

    caption: Caption
    axis: AxisKind
    axis_name: str
    none_at: float
    marks: Sequence[float]
    heads: tuple[str, str, str]
    studies: Sequence[Study]
    mean: Line | None
    any_time: Line | None
    next_household: Line | None


def draw_forest(forest: Forest, kind: Format) -> bytes:
    """Draw a forest.

    Parameters
    ----------
    forest : Forest
        What to show, in order from the top.
    kind : str
        `svg` or `png`.

    """
    below = [line for line in (forest.mean, forest.any_time, forest.next_household) if line is not None]
    rows = len(forest.studies) + len(below) + (0.5 if below else 0.0)
    body = _HEAD_IN + max(rows, 1.0) * _ROW_IN + _AXIS_IN
    sheet = Sheet(forest.caption, body)
    axes = sheet.axes(_AXES_IN, _AXES_WIDE_IN, _HEAD_IN, max(rows, 1.0) * _ROW_IN)
    low, high = _limits(forest, below)
    axes.set_xlim(low, high)
    axes.set_ylim(max(rows, 1.0), 0.0)
    axes.set_yticks([])
    _ticks(axes, forest, low, high)
    if forest.studies:
        _references(axes, forest, low, high)
    _heads(sheet, forest)
    heaviest = max((study.weight for study in forest.studies), default=1.0) or 1.0
    for place, study in enumerate(forest.studies):
        _columns(axes, place + 0.5, study.name, study.count, study.value)
    _whiskers(axes, [(study, place + 0.5) for place, study in enumerate(forest.studies)], INK, 1.1)
    _squares(axes, forest.studies, heaviest)
    start = len(forest.studies) + 1.0
    for place, line in enumerate(below):
        _columns(axes, start + place, line.name, "", line.value)
        if line is forest.mean:
            _diamond(axes, line, start + place)
        else:
            _whiskers(axes, [(line, start + place)], ACCENT, 1.8, dashed=line is forest.next_household)
    if not forest.studies:
        axes.text(0.5, 0.5, "nothing to draw yet", transform=axes.transAxes, ha="center", va="center", color=INK)
    return sheet.bytes_as(kind)


def _limits(forest: Forest, below: Sequence[Line]) -> tuple[float, float]:
    if forest.axis == "in_100":
        return -3.0, 103.0
    values = [forest.none_at, *forest.marks]
    for line in (*forest.studies, *below):
        values += [value for value in (line.estimate, line.low, line.high) if value is not None]
    if forest.axis == "d_prime":
        return -0.15, min(max(*values, 2.0), 5.0) + 0.15
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or 1.0
    return low - room, high + room


def _ticks(axes: Axes, forest: Forest, low: float, high: float) -> None:
    if forest.axis == "ratio":
        shown = [math.log(ratio) for ratio in _RATIOS if low <= math.log(ratio) <= high]
        shown = _thinned(shown, (high - low) / 5.5)
        axes.xaxis.set_major_locator(FixedLocator(shown))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{math.exp(value):.3g}"))
    else:
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.4g}".replace("-", "−")))
    axes.set_xlabel(plain(forest.axis_name), fontsize=SMALL_PT, color=INK, labelpad=3)


def _thinned(places: Sequence[float], apart: float) -> list[float]:
    """Keep "the same" and, going outwards, what stands far enough from the last one kept."""
    kept = [0.0]
    for side in (
        sorted(each for each in places if each > 0.0),
        sorted((each for each in places if each < 0.0), reverse=True),
    ):
        last = 0.0
        for place in side:
            if abs(place - last) >= apart:
                kept.append(place)
                last = place
    return sorted(kept)


def _references(axes: Axes, forest: Forest, low: float, high: float) -> None:
    axes.axvline(forest.none_at, color=FAINT, linewidth=1.1, linestyle=(0, (4, 3)), zorder=0)
    for mark in forest.marks:
        if low < mark < high:
            axes.axvline(mark, color=ACCENT, linewidth=0.9, linestyle=(0, (1, 2)), zorder=0)


def _heads(sheet: Sheet, forest: Forest) -> None:
    name, count, value = forest.heads
    at = sheet.top_in + _HEAD_IN - 0.07
    style = {"size": SMALL_PT, "va": "bottom", "color": FAINT}
    sheet.write(_LEFT_IN, at, name, **style)
    sheet.write(_COUNT_IN, at, count, ha="right", **style)
    sheet.write(_VALUE_IN, at, value, ha="right", **style)


def _columns(axes: Axes, at: float, name: str, count: str, value: str) -> None:
    across = blended_transform_factory(axes.figure.transFigure, axes.transData)
    style: dict[str, Any] = {"transform": across, "va": "center", "fontsize": FONT_PT, "color": INK}
    letters = _NAME_LETTERS if count else _NAME_LETTERS + 6
    axes.text(_LEFT_IN / WIDTH_IN, at, plain(clipped(name, letters)), **style)
    axes.text(_COUNT_IN / WIDTH_IN, at, count, ha="right", **style)
    axes.text(_VALUE_IN / WIDTH_IN, at, value, ha="right", **style)


def _whiskers(
    axes: Axes, lines: Sequence[tuple[Line, float]], color: str, width: float, *, dashed: bool = False
) -> None:
    """Draw limits; one that lies beyond the axis, or isn't there, ends in an arrow."""
    least, most = axes.get_xlim()
    inset = 0.012 * (most - least)
    ends: dict[str, list[tuple[float, float]]] = {"|": [], "<": [], ">": []}
    spans = []
    for line, at in lines:
        if line.low is None and line.high is None:
            continue
        low = least + inset if line.low is None else max(line.low, least + inset)
        high = most - inset if line.high is None else min(line.high, most - inset)
        spans.append((at, low, high))
        ends["<" if line.low is None or line.low < low else "|"].append((low, at))
        ends[">" if line.high is None or line.high > high else "|"].append((high, at))
    if not spans:
        return
    axes.hlines(*zip(*spans, strict=True), color=color, linewidth=width, linestyle=(0, (3, 2)) if dashed else "solid")
    for mark, places in ends.items():
        if places:
            size = 6 if mark == "|" else 4
            axes.plot(*zip(*places, strict=True), color=color, marker=mark, markersize=size, linestyle="none")


def _squares(axes: Axes, studies: Sequence[Study], heaviest: float) -> None:
    least, most = axes.get_xlim()
    for promised in (False, True):
        shown = [
            (study.estimate, place + 0.5, max(_LARGEST_SQUARE_PT**2 * study.weight / heaviest, _SMALLEST_SQUARE_PT**2))
            for place, study in enumerate(studies)
            if study.promised is promised and study.estimate is not None and least <= study.estimate <= most
        ]
        if shown:
            across, down, areas = zip(*shown, strict=True)
            fill = INK if promised else "white"
            axes.scatter(across, down, s=areas, marker="s", facecolor=fill, edgecolor=INK, linewidth=1.0, zorder=3)


def _diamond(axes: Axes, line: Line, at: float) -> None:
    if line.estimate is None:
        return
    least, most = axes.get_xlim()
    half = 0.015 * (most - least)
    low = line.estimate - half if line.low is None else line.low
    high = line.estimate + half if line.high is None else line.high
    corners = np.array([[low, at], [line.estimate, at - 0.32], [high, at], [line.estimate, at + 0.32]])
    corners[:, 0] = np.clip(corners[:, 0], least, most)
    axes.add_patch(Polygon(corners, closed=True, facecolor=ACCENT, edgecolor=ACCENT, zorder=3))
