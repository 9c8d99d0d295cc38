"""The JSON door: how a request's body and Accept header are read before a handler sees them."""

import json
from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import Request
from fastapi.routing import APIRoute
from starlette.responses import Response

from service.api.problems import Problem

JSON = "application/json"


def _refuse_constant(name: str) -> float:
    raise Problem("malformed-json", f"{name} is not JSON; write a finite number or null")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    read = dict(pairs)
    if len(read) != len(pairs):
        raise Problem("malformed-json", "an object gives the same key twice; keep one of them")
    return read


class JsonRequest(Request):
    """A request whose JSON is read strictly: no NaN, no doubled key, UTF-8 only."""

    async def json(self) -> Any:  # noqa: ANN401  any JSON value
        """Read the body as one JSON value, or say what can't be read."""
        body = await self.body()
        try:
            text = body.decode()
        except UnicodeDecodeError as error:
            raise Problem("malformed-json", f"byte {error.start} is not UTF-8") from None
        try:
            return json.loads(text, object_pairs_hook=_object, parse_constant=_refuse_constant)
        except json.JSONDecodeError as error:
            raise Problem("malformed-json", f"line {error.lineno}, column {error.colno}: {error.msg}") from None
        except RecursionError:
            raise Problem("malformed-json", "lists and objects are nested too deep") from None
        except ValueError:
            raise Problem("malformed-json", "a number has too many digits") from None


class Route(APIRoute):
    """A route that takes JSON where it takes a body, and answers 406 where its media types aren't accepted."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Wrap the framework's handler with the two checks that it doesn't make."""
        handle = super().get_route_handler()
        takes_body = self.body_field is not None
        produced = self._produced()

        async def checked(request: Request) -> Response:
            accept = request.headers.get("accept")
            if accept is not None and accept != "*/*" and not _accepts(accept, produced):
                raise Problem("not-acceptable", f"{' or '.join(sorted(produced))} is served here")
            if takes_body and not _is_json(request.headers.get("content-type", "")):
                raise Problem("not-json")
            return await handle(JsonRequest(request.scope, request.receive))

        return checked

    def _produced(self) -> frozenset[str]:
        declared = (self.responses.get(200) or {}).get("content") or {}
        return frozenset(declared) | ({JSON} if not declared or self.response_model is not None else set())


def _is_json(content_type: str) -> bool:
    media, _, parameters = content_type.partition(";")
    media = media.strip().lower()
    if media != JSON and not (media.startswith("application/") and media.endswith("+json")):
        return False
    charset = parameters.strip().lower().removeprefix("charset=").strip('"')
    return charset in {"", "utf-8", "utf8"} or not parameters.strip().lower().startswith("charset=")


def _accepts(accept: str, produced: frozenset[str]) -> bool:
    """Whether one of the produced media types stands in an Accept header (RFC 9110, 12.5.1)."""
    refused: set[str] = set()
    wanted: set[str] = set()
    for part in accept.lower().split(","):
        media, *parameters = (piece.strip() for piece in part.split(";"))
        zero = any(p.replace(" ", "") in {"q=0", "q=0.0", "q=0.00", "q=0.000"} for p in parameters)
        (refused if zero else wanted).add(media)
    return any(
        media not in refused and (media in wanted or f"{media.split('/')[0]}/*" in wanted or "*/*" in wanted)
        for media in produced
    )
