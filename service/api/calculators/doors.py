"""From a registry entry to its addresses: GET for one calculation, POST for one or for columns, CSV for a cell."""

from functools import cache
from typing import Annotated, Any

from fastapi import APIRouter, Body
from pydantic import BaseModel, ConfigDict, Field, create_model
from starlette.responses import Response

from service.api.calculators import calls
from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.columns import scalars_of
from service.api.calculators.registry import Calculator
from service.api.calculators.router import Addresses, CalculatorRoute, Endpoint
from service.api.routing import CSV, JSON, Route

router = APIRouter(prefix="/v1/calculators", route_class=CalculatorRoute, tags=["calculators"])


class HowCalculated(BaseModel):
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
    answers_get: bool = Field(description="Whether it can be called by address alone, and answer a spreadsheet cell.")
    takes_columns: bool = Field(description="Whether a list may stand in place of each number.")
    method: str = Field(description="How it is calculated.")
    sources: list[str]
    example: dict[str, Any] = Field(description="Inputs that can be sent as they are.")


class Catalogue(BaseModel):
    """Every calculator."""

    model_config = ConfigDict(extra="forbid")
    items: list[CalculatorEntry]
    next: None = None


def _entry(calculator: Calculator) -> CalculatorEntry:
    return CalculatorEntry(
        name=calculator.name,
        title=calculator.title,
        summary=calculator.summary,
        inputs=calculator.inputs.model_json_schema(),
        result=calculator.result.model_json_schema(),
        answers_get=calculator.answers_get,
        takes_columns=calculator.takes_columns,
        method=calculator.method,
        sources=list(calculator.sources),
        example=dict(calculator.example),
    )


@cache
def _catalogue() -> bytes:
    """Make the catalogue when it is first asked for: a tenth of a second that no start needs to wait."""
    return Catalogue(items=[_entry(calculator) for calculator in CALCULATORS]).model_dump_json().encode()


async def _list_calculators() -> Response:
    return Response(_catalogue(), headers={"Cache-Control": "public, max-age=3600"}, media_type=JSON)


def _parameters(calculator: Calculator) -> list[dict[str, Any]]:
    schema = calculator.inputs.model_json_schema()
    required = set(schema.get("required", ()))
    scalars = scalars_of(calculator.inputs)
    listed: list[dict[str, Any]] = [
        {
            "name": name,
            "in": "query",
            "required": name in required,
            "description": part.get("description", ""),
            "schema": part,
        }
        for name, part in schema["properties"].items()
        if name in scalars
    ]
    form = {"enum": ["json", "csv"], "default": "json"}
    described = "The form of the answer: csv is a header line and a value line, for a spreadsheet cell."
    return [*listed, {"name": "as", "in": "query", "required": False, "description": described, "schema": form}]


def _envelope(calculator: Calculator) -> Any:  # noqa: ANN401  a model made at run time
    name = calculator.result.__name__
    config = ConfigDict(extra="forbid")
    common: dict[str, Any] = {"method": (HowCalculated, ...), "cautions": (list[str], ...)}
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
    model: Any = calculator.body
    body = Annotated[model, Body(openapi_examples={"worked": {"value": dict(calculator.example)}})]
    router.add_api_route(
        path,
        Endpoint(f"calculate_{slug}", calls.post(calculator), body),
        methods=["POST"],
        operation_id=f"calculate_{slug}",
        summary=calculator.title,
        description=calculator.summary,
        response_model=envelope,
    )
    if calculator.answers_get:
        router.add_api_route(
            path,
            Endpoint(f"read_{slug}", calls.get(calculator)),
            methods=["GET"],
            operation_id=f"read_{slug}",
            summary=calculator.title,
            description=calculator.summary,
            response_model=envelope,
            responses={200: {"content": {CSV: {"schema": {"type": "string"}}}}},
            openapi_extra={"parameters": _parameters(calculator)},
        )


router.add_api_route(
    "",
    _list_calculators,
    operation_id="list_calculators",
    summary="List the calculators",
    description="What each calculator takes, answers and rests on, with an example that can be sent as it is.",
    response_model=Catalogue,
    route_class_override=Route,
)
for _calculator in CALCULATORS:
    _mount(_calculator)
router.routes.insert(0, Addresses(router.routes))
