"""Finds a calculator by its exact address: trying fifty routes in turn would cost more than most calculations."""

import inspect
from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Match

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
    """A route to an `Endpoint`: the framework's own reading of bodies and queries is laxer and slower."""

    endpoint: Endpoint

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Call the endpoint with the request as it is."""
        return self.endpoint.__call__


class CalculatorRouter(APIRouter):
    """Routes by table where an address is in it, and as any router where not."""

    def __init__(self, **settings: Any) -> None:  # noqa: ANN401  the framework's own
        super().__init__(route_class=CalculatorRoute, **settings)
        self._table: dict[str, dict[str, tuple[CalculatorRoute, Handler]]] = {}

    def index(self) -> None:
        """Build the table; to be called when all routes are there."""
        for route in self.routes:
            if isinstance(route, CalculatorRoute):
                for method in route.methods or ():
                    self._table.setdefault(route.path, {})[method] = (route, route.endpoint.handler)

    def matches(self, scope: Any) -> tuple[Match, Any]:  # noqa: ANN401  an ASGI scope is any mapping
        """Say whether an address is one of these."""
        methods = self._table.get(scope["path"])
        if methods is None:
            elsewhere = not scope.get("root_path") and not scope["path"].startswith(self.prefix)
            return (Match.NONE, {}) if elsewhere else super().matches(scope)
        return (Match.FULL if scope["method"] in methods else Match.PARTIAL), {}

    async def handle(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ANN401  ASGI
        """Answer a request that `matches` took."""
        methods = self._table.get(scope["path"])
        if methods is None:
            await super().handle(scope, receive, send)
            return
        if scope["method"] not in methods:
            raise HTTPException(405, headers={"Allow": ", ".join(sorted(methods))})
        scope["route"], handler = methods[scope["method"]]
        response = await handler(Request(scope, receive))
        await response(scope, receive, send)
