"""What every drawing shares: one ink and one accent, text that stays text, and the same bytes for the same figures."""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from textwrap import wrap
from typing import Any, Literal
from xml.sax.saxutils import escape

import matplotlib as mpl
from matplotlib import font_manager, ft2font
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

Format = Literal["svg", "png"]

INK = "#1f2328"
FAINT = "#8b9199"
ACCENT = "#b3541e"
WIDTH_IN = 6.0
FONT_PT = 10.5
SMALL_PT = 9.5
LINE_IN = 0.19
_PNG_DOTS_PER_IN = 150
_TITLE_LETTERS = 54
_CAPTION_LETTERS = 78

# Set once, for the whole process: the writers of SVG read them nowhere else. Names of people's things are no formulas.
mpl.rcParams.update(
    {"svg.fonttype": "none", "svg.hashsalt": "manybatch", "text.parse_math": False, "axes.unicode_minus": True}
)


@dataclass(frozen=True, slots=True)
class Caption:
    """What a drawing is called, and what it shows in words for whoever can't see it."""

    title: str
    lines: Sequence[str]

    @property
    def title_lines(self) -> list[str]:
        """The title in lines that fit."""
        return wrap(plain(self.title), _TITLE_LETTERS, break_long_words=True) or [""]

    @property
    def caption_lines(self) -> list[str]:
        """The caption in lines that fit, a paragraph for each sentence that was given."""
        return [part for line in self.lines for part in wrap(plain(line), _CAPTION_LETTERS)]


class Sheet:
    """A figure of fixed width, filled from the top in inches, with the caption at the foot."""

    def __init__(self, caption: Caption, body_in: float) -> None:
        self.caption = caption
        self.top_in = 0.14 + 0.23 * len(caption.title_lines) + 0.08
        self.foot_in = LINE_IN * len(caption.caption_lines) + 0.16
        self.height_in = self.top_in + body_in + self.foot_in
        self.figure = Figure(figsize=(WIDTH_IN, self.height_in), facecolor="white")
        for place, line in enumerate(caption.title_lines):
            self.write(0.15, 0.14 + 0.23 * place, line, size=11.5, weight="bold", va="top")
        for place, line in enumerate(caption.caption_lines):
            at = self.height_in - self.foot_in + LINE_IN * place
            self.write(0.15, at, line, size=SMALL_PT, va="top")

    def write(self, left_in: float, down_in: float, text: str, **given: Any) -> Text:  # noqa: ANN401  matplotlib's own
        """Write a line at so many inches from the left and the top."""
        style = {"color": INK, "fontsize": given.pop("size", FONT_PT)} | given
        return self.figure.text(left_in / WIDTH_IN, 1.0 - down_in / self.height_in, plain(text), **style)

    def axes(self, left_in: float, width_in: float, down_in: float, height_in: float) -> Axes:
        """Lay bare axes into the body; `down_in` is from its top."""
        bottom = self.height_in - self.top_in - down_in - height_in
        axes = self.figure.add_axes(
            (left_in / WIDTH_IN, bottom / self.height_in, width_in / WIDTH_IN, height_in / self.height_in)
        )
        for side in ("top", "left", "right"):
            axes.spines[side].set_visible(False)
        axes.spines["bottom"].set_color(FAINT)
        axes.tick_params(colors=INK, labelsize=SMALL_PT, length=3)
        return axes

    def bytes_as(self, kind: Format) -> bytes:
        """Give the drawing's bytes."""
        out = io.BytesIO()
        if kind == "png":
            self.figure.savefig(out, format="png", dpi=_PNG_DOTS_PER_IN, metadata={"Software": None})
            return out.getvalue()
        self.figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        return _described(out.getvalue().decode(), self.caption).encode()


def _described(svg: str, caption: Caption) -> str:
    """Put a title and a description inside, where readers of the screen find them."""
    said = (
        f"<title>{escape(printable(caption.title))}</title>"
        f"<desc>{escape(' '.join(printable(line) for line in caption.lines))}</desc>"
    )
    # The document type names an address that nothing needs to ask.
    svg = re.sub(r"<!DOCTYPE[^>]*>\s*", "", svg, count=1)
    return re.sub(r"<svg ([^>]*)>", lambda found: f'<svg role="img" {found.group(1)}>{said}', svg, count=1)


def printable(text: str) -> str:
    """Leave out what no document can hold."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def plain(text: str) -> str:
    """Keep what the drawing's letters can write; what they can't is marked."""
    known = _letters()
    return "".join(letter if ord(letter) in known else "□" for letter in printable(text))


@cache
def _letters() -> frozenset[int]:
    font = ft2font.FT2Font(font_manager.findfont("DejaVu Sans"))
    return frozenset(font.get_charmap())


def clipped(text: str, letters: int) -> str:
    """Shorten a name that would run into the next column."""
    return text if len(text) <= letters else f"{text[: letters - 1].rstrip()}…"
