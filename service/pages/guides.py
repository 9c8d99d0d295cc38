"""The notes for callers as pages, and the method in plain words."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Request
from markdown_it import MarkdownIt
from markdown_it.token import Token
from starlette.responses import Response

import service
from service.api.conditional import REVALIDATE
from service.api.problems import PROBLEMS, Problem
from service.evidence.method import METHOD_VERSION, SOURCES
from service.pages.layout import page
from service.pages.wording import CERTAINTY

router = APIRouter(include_in_schema=False)

# In a checkout and in an installed wheel alike, the notes lie beside the package.
NOTES = Path(service.__file__).parents[1] / "openapi_notes"
_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_NOT_IN_A_NAME = re.compile(r"[^a-z0-9_]+")
_KEPT = {"Cache-Control": REVALIDATE}


@dataclass(frozen=True, slots=True)
class Guide:
    """One guide: its name in addresses, its title, and its text as HTML."""

    name: str
    title: str
    html: str


def _markdown() -> MarkdownIt:
    """CommonMark with tables; HTML within a guide is shown as the text that it is."""
    return MarkdownIt("commonmark", {"html": False}).enable("table")


@cache
def guides() -> dict[str, Guide]:
    """Read every guide, by its name."""
    return {path.stem: _guide(path) for path in sorted(NOTES.glob("*.md"))}


def _guide(path: Path) -> Guide:
    markdown = _markdown()
    tokens = markdown.parse(_COMMENT.sub("", path.read_text(encoding="utf-8")))
    title = next(_text(tokens, place) for place, token in enumerate(tokens) if token.type == "heading_open")
    for place, token in enumerate(tokens):
        _complete(tokens, place, token)
    _stack(tokens)
    return Guide(path.stem, title, markdown.renderer.render(_framed(tokens, title), markdown.options, {}))


def _text(tokens: Sequence[Token], place: int) -> str:
    return tokens[place + 1].content.replace("`", "")


def _complete(tokens: Sequence[Token], place: int, token: Token) -> None:
    """Give headings and the rows of tables names to point at, headings of columns their scope, and scrolling a key."""
    if token.type == "heading_open":
        token.attrSet("id", _name(_text(tokens, place)))
    elif token.type == "th_open":
        token.attrSet("scope", "col")
    elif token.type == "tr_open" and tokens[place + 1].type == "td_open":
        token.attrSet("id", _name(_text(tokens, place + 1)))
    elif token.type == "fence":
        token.attrSet("tabindex", "0")
    # The pages' policy forbids a style within the text.
    if token.attrs.pop("style", "") == "text-align:right":
        token.attrSet("class", "number")


_ROLES = {"table": "table", "thead": "rowgroup", "tbody": "rowgroup", "tr": "row", "th": "columnheader", "td": "cell"}


def _stack(tokens: Sequence[Token]) -> None:
    """Let a narrow screen show each row of a table as a list of its own, and keep it a table for those who listen."""
    columns: list[str] = []
    column = 0
    for place, token in enumerate(tokens):
        if token.nesting != 1 or token.tag not in _ROLES:
            continue
        token.attrSet("role", _ROLES[token.tag])
        if token.tag == "table":
            token.attrSet("class", "stacks")
            columns = []
        elif token.tag == "tr":
            column = 0
        elif token.tag == "th":
            columns.append(_text(tokens, place))
        elif token.tag == "td":
            token.attrSet(*(("data-name", columns[column]) if column else ("role", "rowheader")))
            column += 1


def _name(text: str) -> str:
    return _NOT_IN_A_NAME.sub("-", text.lower()).strip("-")


def _framed(tokens: Sequence[Token], title: str) -> list[Token]:
    """Put each table into a frame that scrolls by itself, within reach of the keyboard."""
    framed: list[Token] = []
    tables = 0
    for token in tokens:
        if token.type == "table_open":
            tables += 1
            label = f"Table {tables} of “{title}”"
            frame = Token("frame_open", "div", 1, block=True)
            frame.attrs = {"class": "frame", "role": "region", "tabindex": "0", "aria-label": label}
            framed.append(frame)
        framed.append(token)
        if token.type == "table_close":
            framed.append(Token("frame_close", "div", -1, block=True))
    return framed


@router.get("/guides")
async def list_guides(request: Request) -> Response:
    """List the guides."""
    return page(request, "guides.html", headers=_KEPT, guides=guides().values())


@router.get("/guides/{name}")
async def read_guide(request: Request, name: str) -> Response:
    """Show one guide."""
    guide = guides().get(name)
    if guide is None:
        raise Problem("not-found")
    return page(request, "guide.html", headers=_KEPT, guide=guide)


@router.get("/method")
async def read_method(request: Request) -> Response:
    """Say in plain words how an answer is made, and by whose work."""
    return page(
        request, "method.html", headers=_KEPT, method_version=METHOD_VERSION, sources=SOURCES, certainty=CERTAINTY
    )


@router.get("/problems/{slug}")
async def explain_problem(request: Request, slug: str) -> Response:
    """Explain one type of problem to whoever follows its address."""
    kind = PROBLEMS.get(slug)
    if kind is None:
        raise Problem("not-found")
    return page(request, "problem_type.html", headers=_KEPT, problem=kind)
