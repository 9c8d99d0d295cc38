"""Keyset pages: a list answers with its items and the address of the next page."""

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Annotated, Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Query, Request
from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import to_json
from starlette.responses import Response

from service.api.conditional import PRIVATE, REVALIDATE, matched, not_modified
from service.api.links import address
from service.api.problems import Fault, Problem
from service.api.routing import JSON

Item = TypeVar("Item")

Limit = Annotated[int, Query(ge=1, le=200, description="How many items a page holds.")]
Cursor = Annotated[str | None, Query(description="Where the page begins; taken from `next`, not made by hand.")]
_LONGEST_CURSOR = 100


class Page(BaseModel, Generic[Item]):
    """One page of a list."""

    model_config = ConfigDict(extra="forbid")
    items: list[Item]
    next: str | None = Field(description="The address of the next page; null on the last.")


def encode(position: int | None) -> str | None:
    """Wrap a keyset position so that it survives a URL, and nobody counts on its form; None where no page follows."""
    if position is None:
        return None
    return base64.urlsafe_b64encode(json.dumps([position]).encode()).decode().rstrip("=")


def decode(cursor: str | None) -> int | None:
    """Unwrap a cursor into the keyset position in it, or refuse it."""
    if cursor is None:
        return None
    if len(cursor) > _LONGEST_CURSOR:
        raise _forged()
    try:
        values = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
    except (ValueError, RecursionError):
        raise _forged() from None
    if not (isinstance(values, list) and len(values) == 1 and type(values[0]) is int and 0 <= values[0] < 2**53):
        raise _forged()
    return int(values[0])


def _forged() -> Problem:
    fault = Fault(pointer="query/after", detail="take the cursor from a page's `next`, whole and unchanged")
    return Problem("malformed-request", "this cursor was not made here", faults=[fault])


def listed(
    request: Request,
    items: Sequence[BaseModel | Mapping[str, object]],
    cursor: str | None,
    *,
    cache_control: str = REVALIDATE,
    pinned: Mapping[str, object] | None = None,
) -> Response:
    """Answer with a page, and say in the body and in `Link` where the next one is; `pinned` goes into its query."""
    following = None
    headers = {"Cache-Control": cache_control}
    if cursor is not None:
        added = {**(pinned or {}), "after": cursor}
        kept = [(name, value) for name, value in request.query_params.multi_items() if name not in added]
        following = f"{address(request, request.scope['path'])}?{urlencode([*kept, *added.items()])}"
        headers["Link"] = f'<{following}>; rel="next"'
    body = to_json({"items": items, "next": following})
    if cache_control == PRIVATE:
        return Response(body, 200, headers, JSON)
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    if matched(request, tag):
        return not_modified(tag, cache_control)
    return Response(body, 200, headers | {"ETag": tag}, JSON)
