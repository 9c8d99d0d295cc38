"""The JSON door: how a request's query, body and Accept header are read before a handler sees them."""

from collections import Counter
from collections.abc import Callable, Coroutine, Iterator, Mapping
from typing import Any, get_origin

from fastapi import Request
from fastapi.datastructures import DefaultPlaceholder
from fastapi.dependencies.models import Dependant
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import BaseModel
from starlette.responses import Response
from starlette.routing import Match

from service.api.problems import Problem, from_validation
from service.api.security import remembered, signed_in, still_known
from service.api.strict_json import read_json

JSON = "application/json"
CSV = "text/csv"


class JsonRequest(Request):
    """A request whose JSON is read strictly."""

    async def json(self) -> Any:  # noqa: ANN401  any JSON value
        """Read the body as one JSON value, or say what can't be read."""
        return read_json(await self.body())


class Route(APIRoute):
    """A route that takes JSON where it takes a body, only what it names in its query, and an Accept it can meet."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Wrap the framework's handler with the checks that it doesn't make."""
        handle = super().get_route_handler()
        takes_body = self.body_field is not None
        produced = self._produced()
        query = dict(_query_of(self.dependant)) | {
            parameter["name"]: False for parameter in (self.openapi_extra or {}).get("parameters", ())
        }
        asked = {each.call for each in self.dependant.dependencies}
        remembers = remembered in asked
        needs_token = remembers or signed_in in asked

        async def checked(request: Request) -> Response:
            if not accepts(request, produced):
                raise Problem("not-acceptable", f"{' or '.join(sorted(produced))} is served here")
            if takes_body and not is_json(request.headers.get("content-type", "")):
                raise Problem("not-json")
            if request.scope["query_string"] and (faults := _query_faults(request, query)):
                if needs_token:
                    await signed_in(request, None)  # 401 comes before 422
                raise from_validation(faults)
            try:
                return await handle(JsonRequest(request.scope, request.receive))
            except RequestValidationError:
                if remembers:
                    await still_known(request)  # the write would have asked, and 401 comes before 422
                raise

        return checked

    def _produced(self) -> frozenset[str]:
        declared = (self.responses.get(200) or {}).get("content") or {}
        answer = self.response_class
        own = (answer.value if isinstance(answer, DefaultPlaceholder) else answer).media_type
        return frozenset(declared) | ({str(own)} if not declared or self.response_model is not None else set())


class KeptFirst(APIRoute):
    """A route that answers with what is kept, before the framework reads anything; the rest goes the ordinary way."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Look for what is kept first."""
        handle = super().get_route_handler()

        async def answered(request: Request) -> Response:
            return self.kept(request) or await handle(request)

        return answered

    def kept(self, request: Request) -> Response | None:
        """Give the whole answer, or that it is unchanged; None where it isn't at hand."""
        raise NotImplementedError


def _query_of(dependant: Dependant) -> Iterator[tuple[str, bool]]:
    """Name what a route takes in its query, and whether it may be given several times."""
    for parameter in dependant.query_params:
        annotation = parameter.field_info.annotation
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            for name, field in annotation.model_fields.items():
                yield name, get_origin(field.annotation) is list
        else:
            yield parameter.alias, get_origin(annotation) is list
    for each in dependant.dependencies:
        yield from _query_of(each)


def _query_faults(request: Request, query: Mapping[str, bool]) -> list[dict[str, Any]]:
    given = Counter(name for name, _ in request.query_params.multi_items())
    unknown = [{"loc": ("query", name), "type": "extra_forbidden"} for name in given if name not in query]
    doubled = [
        {"loc": ("query", name), "type": "given_twice", "msg": "give this once"}
        for name, times in given.items()
        if times > 1 and query.get(name) is False
    ]
    return [*unknown, *doubled]


def methods_at(request: Request) -> list[str]:
    """List every method that the request's address takes, whichever route serves it."""
    taken = [
        method
        for method in ("GET", "POST", "PUT", "PATCH", "DELETE")
        if any(route.matches({**request.scope, "method": method})[0] is Match.FULL for route in request.app.routes)
    ]
    return ["GET", "HEAD", *taken[1:]] if taken[:1] == ["GET"] else taken


def is_json(content_type: str) -> bool:
    """Whether a Content-Type is JSON in UTF-8."""
    media, *parameters = (part.strip().lower() for part in content_type.split(";"))
    if media != JSON and not (media.startswith("application/") and media.endswith("+json")):
        return False
    charsets = [part.removeprefix("charset=").strip('"') for part in parameters if part.startswith("charset=")]
    return all(charset in {"utf-8", "utf8"} for charset in charsets)


def accepts(request: Request, produced: frozenset[str]) -> bool:
    """Whether one of the produced media types stands in the Accept header (RFC 9110, 12.5.1)."""
    accept = ",".join(request.headers.getlist("accept")).lower()
    if not accept.strip() or accept == "*/*":
        return True
    refused: set[str] = set()
    wanted: set[str] = set()
    for part in accept.split(","):
        media, *parameters = (piece.strip() for piece in part.split(";"))
        zero = any(p.replace(" ", "") in {"q=0", "q=0.0", "q=0.00", "q=0.000"} for p in parameters)
        (refused if zero else wanted).add(media)
    return any(
        media not in refused and (media in wanted or f"{media.split('/')[0]}/*" in wanted or "*/*" in wanted)
        for media in produced
    )
