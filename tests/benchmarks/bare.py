"""The framework alone, with the same models and bytes: what there is to be compared with."""

from typing import Any

from fastapi import FastAPI
from pydantic import create_model
from starlette.responses import Response

from service.api.calculators.registry import Calculator


def bare_calculator(calculator: Calculator, result: dict[str, Any]) -> FastAPI:
    """A plain FastAPI POST with the calculator's models and a fixed result."""
    app = FastAPI(openapi_url=None)
    envelope = create_model(
        "Bare", inputs=(calculator.inputs, ...), result=(calculator.result, ...), method=(dict[str, Any], ...),
        cautions=(list[str], ...),
    )  # fmt: skip
    method = {"summary": calculator.method, "sources": list(calculator.sources)}

    async def post(body: Any) -> Any:
        return {"inputs": body, "result": result, "method": method, "cautions": []}

    post.__annotations__ = {"body": calculator.inputs}
    app.add_api_route("/bare", post, methods=["POST"], response_model=envelope)
    return app


def bare_get(body: bytes) -> FastAPI:
    """A plain FastAPI GET that returns given bytes."""
    app = FastAPI(openapi_url=None)

    @app.get("/bare")
    async def get() -> Response:
        return Response(body, media_type="application/json")

    return app
