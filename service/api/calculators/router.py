"""Finds a calculator by its exact address: trying forty routes in turn would cost more than most calculations."""

import inspect
from collections.abc import Callable, Coroutine, Iterable
from typing import Any

from fastapi import Request
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute, Match

from service.api.calculators.calls import Handler
from service.api.routing import Route


class Endpoint:
    """A handler that reads the request by itself, with the signature that the framework documents it by."""

    def __init__(self, name: str, handler: Handler, body: object = None) -> None:
        self.handler = handler
        given = [] if body is None else [inspect.Parameter("inputs", inspect.Parameter.KEYWORD_ONLY, annotation=body)]
        self.__name__ = name
        self.__signature__ = inspect.Signature(given)

    async def __call__(self, request: Request) -> Response:
        """Answer."""
        return await self.handler(request)


class CalculatorRoute(Route):
    """Documents an `Endpoint`; the way to it is `Addresses`."""

    endpoint: Endpoint

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Call the endpoint with the request as it is: the framework's own reading is laxer and slower."""
        return self.endpoint.__call__

    def matches(self, scope: Any) -> tuple[Match, Any]:  # noqa: ANN401  an ASGI scope is any mapping
        """Leave it to the table, so that this route costs next to nothing when the others are tried."""
        del scope
        return Match.NONE, {}


class Addresses(BaseRoute):
    """One route to all calculators, by a table."""

    def __init__(self, routes: Iterable[BaseRoute]) -> None:
        self._table: dict[str, dict[str, CalculatorRoute]] = {}
        for route in routes:
            if isinstance(route, CalculatorRoute):
                for method in route.methods or ():
                    self._table.setdefault(route.path, {})[method] = route

    def matches(self, scope: Any) -> tuple[Match, Any]:  # noqa: ANN401
        """Say whether an address is one of these, and takes the method."""
        methods = self._table.get(_path_of(scope))
        if methods is None or scope["type"] != "http":
            return Match.NONE, {}
        return (Match.FULL if scope["method"] in methods else Match.PARTIAL), {}

    async def handle(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ANN401  ASGI
        """Answer a request that `matches` took."""
        methods = self._table[_path_of(scope)]
        route = methods.get(scope["method"])
        if route is None:
            raise HTTPException(405, headers={"Allow": ", ".join(sorted(methods))})
        scope["route"] = route
        response = await route.endpoint.handler(Request(scope, receive))
        await response(scope, receive, send)


def _path_of(scope: Any) -> str:  # noqa: ANN401
    path: str = scope["path"]
    return path.removeprefix(scope.get("root_path", ""))
