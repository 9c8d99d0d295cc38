"""From a registry entry to its addresses: GET for one calculation, POST for one or for columns, CSV for a cell."""

import csv
import io
import re
from collections.abc import Awaitable, Callable, Mapping
from typing import Annotated, Any, get_args

from fastapi import APIRouter, Body, Request
from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model
from starlette.responses import Response

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.columns import ColumnsOf, holds_columns
from service.api.calculators.registry import Calculator, Result
from service.api.problems import Fault, Problem, from_validation, pointer
from service.api.routing import JSON, Route
from service.science.errors import InputError

router = APIRouter(prefix="/v1/calculators", route_class=Route, tags=["calculators"])
_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})([eE][+-]?\d{1,3})?")
_CACHED = {"Cache-Control": "public, max-age=3600"}


class MethodNote(BaseModel):
    """How it was calculated."""

    model_config = ConfigDict(extra="forbid")
    summary: str
    sources: list[str]


class CalculatorEntry(BaseModel):
    """One calculator, described for people and for machines."""

    model_config = ConfigDict(extra="forbid")
    name: str
    title: str
    summary: str
    inputs: dict[str, Any] = Field(description="JSON Schema of the inputs.")
    result: dict[str, Any] = Field(description="JSON Schema of the result.")
    takes_columns: bool = Field(description="Whether a list may stand in place of each number, and GET is served.")
    sources: list[str]
    example: dict[str, Any] = Field(description="Inputs that can be sent as they are.")


class Catalogue(BaseModel):
    """Every calculator."""

    model_config = ConfigDict(extra="forbid")
    items: list[CalculatorEntry]
    next: None = None


@router.get("", summary="List the calculators", operation_id="list_calculators", response_model=Catalogue)
async def list_calculators() -> Response:
    """Say what each calculator takes, answers and rests on, with an example that can be sent as it is."""
    return Response(_CATALOGUE, headers=_CACHED, media_type=JSON)


def _entry(calculator: Calculator) -> CalculatorEntry:
    return CalculatorEntry(
        name=calculator.name,
        title=calculator.title,
        summary=calculator.summary,
        inputs=calculator.inputs.model_json_schema(),
        result=calculator.result.model_json_schema(),
        takes_columns=calculator.takes_columns,
        sources=list(calculator.sources),
        example=dict(calculator.example),
    )


_CATALOGUE = Catalogue(items=[_entry(calculator) for calculator in CALCULATORS]).model_dump_json().encode()


def _refused(error: InputError, place: Callable[[str], str]) -> Problem:
    where = place(error.field) + (f"/{error.index}" if error.index is not None else "")
    return Problem(
        "invalid-input", f"{error.field}: {error.detail}", faults=[Fault(pointer=where, detail=error.detail)]
    )


def _post(calculator: Calculator) -> Callable[[Any], Awaitable[Response]]:
    model: Any = calculator.body
    body = Annotated[model, Body(openapi_examples={"worked": {"value": dict(calculator.example)}})]

    async def calculate(inputs: Any) -> Response:  # noqa: ANN401  annotated below, for the framework
        try:
            if calculator.takes_columns and holds_columns(inputs):
                return Response(calculator.answer_columns(ColumnsOf(inputs)), media_type=JSON)
            return Response(calculator.answer(inputs), media_type=JSON)
        except InputError as error:
            raise _refused(error, pointer) from None

    calculate.__annotations__ = {"inputs": body, "return": Response}
    return calculate


def _get(calculator: Calculator) -> Callable[[Request], Awaitable[Response]]:
    whole_numbers = {
        name
        for name, field in calculator.inputs.model_fields.items()
        if int in (field.annotation, *get_args(field.annotation))
    }

    async def calculate(request: Request) -> Response:
        given: dict[str, object] = {}
        for name, text in request.query_params.multi_items():
            if name in given:
                raise Problem("invalid-input", faults=[Fault(pointer=f"query/{name[:64]}", detail="give this once")])
            given[name] = _number(text, whole=name in whole_numbers)
        form = given.pop("as", "json")
        if form not in {"json", "csv"}:
            raise Problem("invalid-input", faults=[Fault(pointer="query/as", detail="json or csv")])
        try:
            inputs = calculator.inputs.model_validate(given)
            if form == "csv":
                return Response(_csv(calculator.result_of(inputs)), headers=_CACHED, media_type="text/csv")
            return Response(calculator.answer(inputs), headers=_CACHED, media_type=JSON)
        except ValidationError as error:
            faults = error.errors(include_url=False, include_context=False, include_input=False)
            raise from_validation([{**fault, "loc": ("query", *fault["loc"])} for fault in faults]) from None
        except InputError as error:
            raise _refused(error, lambda name: f"query/{name}") from None

    return calculate


def _number(text: str, *, whole: bool) -> object:
    if len(text) > 64 or not _NUMBER.fullmatch(text):
        return text
    return int(text) if whole and text.lstrip("+-").isdigit() else float(text)


def _csv(result: Mapping[str, Any]) -> str:
    leaves = dict(_leaves(result, ""))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(leaves)
    writer.writerow("" if leaf is None or leaf in (float("inf"), float("-inf")) else leaf for leaf in leaves.values())
    return out.getvalue()


def _leaves(value: object, name: str) -> "list[tuple[str, object]]":
    if isinstance(value, Mapping):
        return [leaf for key, part in value.items() for leaf in _leaves(part, f"{name}.{key}" if name else str(key))]
    if isinstance(value, list):
        return [leaf for number, part in enumerate(value) for leaf in _leaves(part, f"{name}.{number}")]
    return [(name, value)]


def _parameters(calculator: Calculator) -> list[dict[str, Any]]:
    schema = calculator.inputs.model_json_schema()
    required = set(schema.get("required", ()))
    listed: list[dict[str, Any]] = []
    for name, part in schema["properties"].items():
        listed.append(
            {
                "name": name,
                "in": "query",
                "required": name in required,
                "description": part.get("description", ""),
                "schema": part,
            }
        )
    listed.append(
        {"name": "as", "in": "query", "required": False, "schema": {"enum": ["json", "csv"], "default": "json"}}
    )
    return listed


def _envelope(calculator: Calculator) -> Any:  # noqa: ANN401  a model made at run time
    name = calculator.result.__name__
    config = ConfigDict(extra="forbid")
    common: dict[str, Any] = {"method": (MethodNote, ...), "cautions": (list[str], ...)}
    one = create_model(
        f"{name}Answer", __config__=config, inputs=(dict[str, Any], ...), result=(calculator.result, ...), **common
    )
    if not calculator.takes_columns:
        return one
    many = create_model(f"{name}Columns", __config__=config, result=(dict[str, Any], ...), **common)
    return one | many


def _mount(calculator: Calculator) -> None:
    path = f"/{calculator.name}"
    slug = calculator.name.replace("/", "_").replace("-", "_")
    envelope = _envelope(calculator)
    router.add_api_route(
        path,
        _post(calculator),
        methods=["POST"],
        operation_id=f"calculate_{slug}",
        summary=calculator.title,
        description=calculator.summary,
        response_model=envelope,
    )
    if calculator.takes_columns:
        router.add_api_route(
            path,
            _get(calculator),
            methods=["GET"],
            operation_id=f"read_{slug}",
            summary=calculator.title,
            description=calculator.summary,
            response_model=envelope,
            responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
            openapi_extra={"parameters": _parameters(calculator)},
        )


for _calculator in CALCULATORS:
    _mount(_calculator)

__all__ = ["Result", "router"]
