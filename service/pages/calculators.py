"""The calculators as forms: one page a family, made from the registry that the interface is made from."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from urllib.parse import urlencode

from anyio import CapacityLimiter
from anyio.to_thread import run_sync
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.faults import problem_of
from service.api.calculators.registry import Calculator
from service.api.problems import Fault, Problem
from service.pages.forms import Form
from service.pages.layout import alternate, page
from service.pages.received import read_as
from service.pages.results import Laid, laid_out
from service.pages.typed import typed_of
from service.science.errors import InputError

router = APIRouter(include_in_schema=False)

FAMILIES: Mapping[str, tuple[str, str]] = {
    "gravity": ("Gravity and strength of a must or wash", "From a reading to extract, alcohol and attenuation."),
    "fermentation": ("A ferment under way", "How it runs, where it will end, and how warm to pitch."),
    "proofing": ("Strength of spirits", "Reading, diluting, blending and matching strengths."),
    "spirit-run": ("A run of the still", "What was charged, what was collected, and what is unaccounted for."),
    "tasting": ("Before the glasses are poured", "Who gets which glass, and how much alcohol that is."),
    "trial": ("Blind trials", "How many sets, and what a count shows."),
    "pooling": ("Many households together", "What several trials, differences or pairs show at once."),
}
_KEPT = {"Cache-Control": "public, max-age=300"}
_MORE_ROWS = 5
_MOST_TYPED = 2000
# Numpy holds the interpreter for most of a long calculation; the event loop and the interface keep their room.
_AT_ONCE = CapacityLimiter(2)


@dataclass(frozen=True, slots=True)
class Worked:
    """One calculator on a page: its form, and what came of it where it was asked."""

    calculator: Calculator
    form: Form
    answer: Mapping[str, Any] | None = None
    laid: Laid | None = None
    query: str = ""

    @property
    def id(self) -> str:
        """What links within the page point at."""
        return self.calculator.name.partition("/")[2]


@cache
def families() -> dict[str, list[Calculator]]:
    """Sort the calculators by the first step of their address."""
    found: dict[str, list[Calculator]] = {}
    for calculator in CALCULATORS:
        found.setdefault(calculator.name.partition("/")[0], []).append(calculator)
    return found


def _title(family: str) -> tuple[str, str]:
    return FAMILIES.get(family, (family.replace("-", " ").capitalize(), ""))


@router.get("/calculators")
async def list_families(request: Request) -> Response:
    """List the calculators by family."""
    shown = [(name, *_title(name), members) for name, members in families().items()]
    return page(request, "calculators.html", headers={**_KEPT, **alternate(request, "/v1/calculators")}, families=shown)


@router.get("/calculators/{family}")
async def read_family(request: Request, family: str) -> Response:
    """Show a family's forms, each with its worked example, and the answer of the one that was sent."""
    members = families().get(family)
    if members is None:
        raise Problem("not-found")
    typed = request.query_params.multi_items()[:_MOST_TYPED]
    given = dict(typed)
    asked = given.pop("calculator", "")
    blank_rows = _MORE_ROWS if given.pop("more", "") else 1
    shown = [
        await _asked(member, given, blank_rows) if member.name == f"{family}/{asked}" else _example(member)
        for member in members
    ]
    title, summary = _title(family)
    wrong = any(each.form.wrong for each in shown)
    return page(
        request,
        "calculator_family.html",
        status=422 if wrong else 200,
        headers={**_KEPT, **alternate(request, _data(asked, shown))},
        family=family,
        title=title,
        summary=summary,
        shown=shown,
        asked=asked,
        wrong=wrong,
    )


def _data(asked: str, shown: Sequence[Worked]) -> str:
    """Say where the same calculation is answered as JSON."""
    for each in shown:
        if each.id == asked and each.query:
            return each.query
    return "/v1/calculators"


def _example(calculator: Calculator) -> Worked:
    return Worked(calculator, _form(calculator, typed_of(calculator.example)))


def _form(calculator: Calculator, typed: Mapping[str, str], blank_rows: int = 1) -> Form:
    return Form.over(calculator.inputs, typed, blank_rows=blank_rows, prefix=calculator.name.replace("/", "-"))


async def _asked(calculator: Calculator, typed: Mapping[str, str], blank_rows: int) -> Worked:
    form = _form(calculator, typed, blank_rows)
    if blank_rows == _MORE_ROWS:
        return Worked(calculator, form)
    document = form.document()
    try:
        answer = json.loads(await run_sync(_calculate, calculator, document, limiter=_AT_ONCE))
    except Problem as problem:
        form.refuse(problem.faults or [Fault(pointer="", detail=str(problem.detail))])
        return Worked(calculator, form)
    query = ""
    if calculator.answers_get and not any(isinstance(value, (list, dict)) for value in document.values()):
        query = f"/v1/calculators/{calculator.name}?{urlencode(document)}"
    return Worked(calculator, form, answer, laid_out(answer["result"]), query)


def _calculate(calculator: Calculator, document: Mapping[str, Any]) -> bytes:
    inputs = read_as(calculator.inputs, document)
    try:
        return calculator.answer(inputs)
    except InputError as error:
        raise problem_of(error, inputs) from None
