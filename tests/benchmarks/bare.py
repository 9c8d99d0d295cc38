"""The framework alone, and less than that, with the same models and bytes: what there is to be compared with."""

from typing import Any

from fastapi import FastAPI, Request
from pydantic import create_model
from starlette.responses import Response

from service.api.calculators.registry import Calculator
from tests.benchmarks.drive import App


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
    """A plain FastAPI GET that returns given bytes, or that they are unchanged."""
    app = FastAPI(openapi_url=None)

    @app.get("/bare")
    async def get(request: Request) -> Response:
        if request.headers.get("if-none-match") == '"kept"':
            return Response(status_code=304, headers={"ETag": '"kept"'})
        return Response(body, headers={"ETag": '"kept"'}, media_type="application/json")

    return app


def raw(body: bytes) -> App:
    """No framework at all: what is asked is read, and given bytes are sent."""

    async def app(_scope: Any, receive: Any, send: Any) -> None:
        while (await receive()).get("more_body"):
            pass
        headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": body})

    return app
