"""Fermentation curves of one replication: gravity over time, each vessel a line."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.ticker import FuncFormatter, MaxNLocator

from service.evidence.drawing import ACCENT, FAINT, INK, SMALL_PT, Caption, Format, Sheet, clipped, plain

_LEFT_IN, _WIDE_IN, _HIGH_IN = 0.8, 4.95, 2.6
_KEY_IN = 0.22
_HEAD_IN = 0.32
_KEY_LETTERS = 60
_HOURS_SHOWN_AS_HOURS = 96.0
_DASHES = ("solid", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 2, 1, 2)))
_MARKERS = ("o", "s", "^", "D")


@dataclass(frozen=True, slots=True)
class Curve:
    """One vessel's readings. `arm` numbers the arms from 0, the control first.

    Where only the first and the last gravity are known nothing says how it went between them: it isn't `followed`.
    """

    name: str
    arm: int
    hours: Sequence[float]
    gravities: Sequence[float]
    followed: bool


@dataclass(frozen=True, slots=True)
class Curves:
    """What the drawing shows."""

    caption: Caption
    curves: Sequence[Curve]


def draw_curves(curves: Curves, kind: Format) -> bytes:
    """Draw fermentation curves; `kind` is `svg` or `png`."""
    drawn = [curve for curve in curves.curves if len(curve.hours)]
    sheet = Sheet(curves.caption, _HEAD_IN + _HIGH_IN + 0.7 + _KEY_IN * len(drawn))
    sheet.write(0.15, sheet.top_in + 0.04, "specific gravity", size=SMALL_PT, va="top")
    axes = sheet.axes(_LEFT_IN, _WIDE_IN, _HEAD_IN, _HIGH_IN)
    axes.spines["left"].set_visible(True)
    axes.spines["left"].set_color(FAINT)
    longest = max((max(curve.hours) for curve in drawn), default=0.0)
    unit, name = (1.0, "hours") if longest <= _HOURS_SHOWN_AS_HOURS else (24.0, "days")
    axes.set_xlabel(f"{name} since pitching", fontsize=SMALL_PT, color=INK)
    axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(6))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.3f}"))
    nth: dict[int, int] = {}
    for place, curve in enumerate(drawn):
        own = nth[curve.arm] = nth.get(curve.arm, -1) + 1
        style: dict[str, Any] = {
            "color": INK if curve.arm == 0 else ACCENT,
            "linestyle": _DASHES[(own + max(curve.arm - 1, 0)) % len(_DASHES)],
            "marker": _MARKERS[curve.arm % len(_MARKERS)],
            "markersize": 4.0 if len(curve.hours) <= 60 else 0.0,
            "linewidth": 1.5,
        }
        if not curve.followed:
            style["linestyle"] = "none"
        axes.plot([hour / unit for hour in curve.hours], curve.gravities, **style)
        _key(sheet, place, curve.name, style)
    if not drawn:
        axes.set_xticks([])
        axes.set_yticks([])
        axes.text(0.5, 0.5, "no gravities were reported", transform=axes.transAxes, ha="center", color=INK)
    return sheet.bytes_as(kind)


def _key(sheet: Sheet, place: int, name: str, style: dict[str, Any]) -> None:
    down = _HEAD_IN + _HIGH_IN + 0.6 + _KEY_IN * place
    axes = sheet.axes(_LEFT_IN, 0.5, down, 0.16)
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    axes.plot([0.05, 0.5, 0.95], [0.5, 0.5, 0.5], markevery=[1], **style)
    sheet.write(
        _LEFT_IN + 0.6, sheet.top_in + down + 0.08, clipped(plain(name), _KEY_LETTERS), size=SMALL_PT, va="center"
    )
