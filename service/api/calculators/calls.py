"""One call of a calculator: read it, calculate, answer."""

import re
from collections.abc import Awaitable, Callable

from anyio import CapacityLimiter
from anyio.to_thread import run_sync
from fastapi import Request
from pydantic import ValidationError
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from service.api.calculators.columns import ColumnsOf, numbers_of
from service.api.calculators.faults import problem_of
from service.api.calculators.registry import Calculator
from service.api.calculators.spreadsheet import two_lines
from service.api.problems import Fault, Problem, from_validation
from service.api.routing import CSV, JSON, accepts, is_json
from service.api.strict_json import read_json
from service.intake.strict import Strict
from service.science.errors import InputError

Handler = Callable[[Request], Awaitable[Response]]

# By Accept too, so that a shared cache keeps the two forms of one address apart.
CACHED = {"Cache-Control": "public, max-age=3600", "Vary": "Accept"}
_ONLY_JSON = frozenset({JSON})
_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})([eE][+-]?\d{1,3})?", re.ASCII)
_LONGEST_NUMBER = 64

# Numpy holds the interpreter for most of a long calculation: more threads would not be faster, and two leave the
# event loop room.
_LONG_ONES = CapacityLimiter(2)


def post(calculator: Calculator) -> Handler:
    """Make what answers a JSON body: one calculation, or columns of them."""
    columns = frozenset(numbers_of(calculator.inputs)) if calculator.takes_columns else frozenset()

    async def calculate(request: Request) -> Response:
        _check_headers(request)
        body = await _body_of(request)
        given = read_json(body) if body else _missing()
        if columns and isinstance(given, dict) and any(isinstance(given.get(name), list) for name in columns):
            many = _read(calculator.body, given)
            return await run_sync(_answer_columns, calculator, many, columns, limiter=_LONG_ONES)
        inputs = _read(calculator.inputs, given)
        if calculator.is_heavy(inputs):
            return await run_sync(_answer, calculator, inputs, limiter=_LONG_ONES)
        return _answer(calculator, inputs)

    return calculate


def get(calculator: Calculator) -> Handler:
    """Make what answers a query: one calculation, as JSON or as two lines for a spreadsheet."""
    fields = calculator.inputs.model_fields
    whole = {name for name, number in numbers_of(calculator.inputs).items() if number is int}

    async def calculate(request: Request) -> Response:
        as_csv = _asks_for_csv(request)
        given: dict[str, object] = {}
        faults = []
        for name, text in request.query_params.multi_items():
            if name in given:
                faults.append({"loc": ("query", name), "type": "given_twice", "msg": "give this once"})
            elif name not in fields and name != "as":
                faults.append({"loc": ("query", name), "type": "extra_forbidden"})
            given[name] = _number(text, whole=name in whole)
        if faults:
            raise from_validation(faults)
        given.pop("as", None)
        inputs = _read(calculator.inputs, given, place="query")
        if calculator.is_heavy(inputs):
            return await run_sync(_answer_query, calculator, inputs, as_csv, limiter=_LONG_ONES)
        return _answer_query(calculator, inputs, as_csv)

    return calculate


async def _body_of(request: Request) -> bytes:
    """Read a body that nobody else reads: it mostly comes in one piece."""
    parts: list[bytes] = []
    while True:
        message = await request.receive()
        if message["type"] == "http.disconnect":
            raise ClientDisconnect
        parts.append(message.get("body", b""))
        if not message.get("more_body"):
            return parts[0] if len(parts) == 1 else b"".join(parts)


def _missing() -> object:
    detail = "a JSON body is needed: an object with the inputs"
    raise Problem("invalid-input", f"the body: {detail}", faults=[Fault(pointer="", detail=detail)])


def _read(model: type[Strict], given: object, *, place: str = "body") -> Strict:
    try:
        return model.model_validate(given)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False, include_input=False)
        raise from_validation([{**fault, "loc": (place, *fault["loc"])} for fault in faults]) from None


def _answer(calculator: Calculator, inputs: Strict) -> Response:
    try:
        return Response(calculator.answer(inputs), media_type=JSON)
    except InputError as error:
        raise problem_of(error, inputs) from None


def _answer_columns(calculator: Calculator, inputs: Strict, columns: frozenset[str]) -> Response:
    try:
        return Response(calculator.answer_columns(ColumnsOf(inputs, columns)), media_type=JSON)
    except InputError as error:
        raise problem_of(error, inputs) from None


def _answer_query(calculator: Calculator, inputs: Strict, as_csv: bool) -> Response:  # noqa: FBT001  run_sync takes no names
    try:
        if as_csv:
            return Response(two_lines(calculator.result_of(inputs)), headers=CACHED, media_type=CSV)
        return Response(calculator.answer(inputs), headers=CACHED, media_type=JSON)
    except InputError as error:
        raise problem_of(error, inputs, in_query=True) from None


def _check_headers(request: Request) -> None:
    """Refuse a body that isn't JSON, and an Accept that JSON doesn't meet."""
    content_type = ""
    for name, value in request.scope["headers"]:
        if name == b"content-type":
            content_type = value.decode("latin-1")
        elif name == b"accept" and value not in {b"*/*", b"application/json"} and not accepts(request, _ONLY_JSON):
            raise Problem("not-acceptable", f"{JSON} is served here")
    if content_type != JSON and not is_json(content_type):
        raise Problem("not-json")


def _asks_for_csv(request: Request) -> bool:
    """Whether a cell calls: by `as`, or where that is left out by an Accept that leaves nothing else."""
    form = request.query_params.get("as")
    if form not in {None, "json", "csv"}:
        detail = "write json or csv"
        raise Problem("invalid-input", f"query/as: {detail}", faults=[Fault(pointer="query/as", detail=detail)])
    wanted = [JSON, CSV] if form is None else [CSV if form == "csv" else JSON]
    chosen = next((media for media in wanted if accepts(request, frozenset({media}))), None)
    if chosen is None:
        raise Problem("not-acceptable", f"{' or '.join(wanted)} is served here")
    return chosen == CSV


def _number(text: str, *, whole: bool) -> object:
    if len(text) > _LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        return text
    return int(text) if whole and text.lstrip("+-").isdigit() else float(text)
