"""Which answers a page of another origin may read: public ones, without credentials."""

from typing import Any

from starlette.responses import Response

EXPOSED = "ETag, Link, Location, RateLimit, RateLimit-Policy, Retry-After"
_CALCULATORS = "/v1/calculators"
_PRIVATE = ("/v1/me", "/v1/pour", "/v1/taste", "/take-part", "/pour", "/taste")
_FOR_ANY_ORIGIN = (
    (b"access-control-allow-origin", b"*"),
    (b"access-control-expose-headers", EXPOSED.encode()),
)


def _is_private(path: str) -> bool:
    return any(path == private or path.startswith(f"{private}/") for private in _PRIVATE)


def headers_for(scope: Any) -> tuple[tuple[bytes, bytes], ...]:  # noqa: ANN401  an ASGI scope is any mapping
    """Let any origin read GET answers and calculations, and nothing that depends on who asks."""
    path = scope["path"]
    if path.startswith(_CALCULATORS):
        return _FOR_ANY_ORIGIN
    return _FOR_ANY_ORIGIN if scope["method"] == "GET" and not _is_private(path) else ()


def preflight(path: str) -> Response:
    """Answer a browser that asks beforehand what it may send."""
    if _is_private(path):
        return Response(status_code=204)
    methods = "GET, HEAD, POST" if path.startswith(_CALCULATORS) else "GET, HEAD"
    return Response(
        status_code=204,
        headers={
            "Access-Control-Allow-Origin": "*",
            "Access-Control-Allow-Methods": methods,
            "Access-Control-Allow-Headers": "Content-Type, If-None-Match, X-Request-ID",
            "Access-Control-Max-Age": "86400",
        },
    )
