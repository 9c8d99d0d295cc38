"""Conditional requests (RFC 9110, 13): is what the caller holds still current?"""

from fastapi import Request
from starlette.responses import Response

REVALIDATE = "public, max-age=0, must-revalidate"
IMMUTABLE = "public, max-age=31536000, immutable"
PRIVATE = "private, no-store"


def matched(request: Request, tag: str) -> bool:
    """Whether If-None-Match names this tag."""
    given = request.headers.get("if-none-match")
    if given is None:
        return False
    return given.strip() == "*" or tag in {part.strip().removeprefix("W/") for part in given.split(",")}


def not_modified(tag: str, cache_control: str = REVALIDATE) -> Response:
    """Answer that what the caller holds is current."""
    return Response(status_code=304, headers={"ETag": tag, "Cache-Control": cache_control})
