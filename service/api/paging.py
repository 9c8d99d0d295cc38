"""Keyset pages: a list answers with its items and the address of the next page."""

import base64
import binascii
import json
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Query, Request
from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import to_json
from starlette.responses import Response

from service.api.problems import Fault, Problem
from service.api.routing import JSON

Item = TypeVar("Item")

Limit = Annotated[int, Query(ge=1, le=200, description="How many items a page holds.")]
Cursor = Annotated[
    str | None, Query(max_length=300, description="Where the page begins; taken from `next`, not made by hand.")
]


class Page(BaseModel, Generic[Item]):
    """One page of a list."""

    model_config = ConfigDict(extra="forbid")
    items: list[Item]
    next: str | None = Field(description="The address of the next page; null on the last.")


def encode(key: Sequence[Any]) -> str:
    """Wrap a keyset position so that it survives a URL."""
    return base64.urlsafe_b64encode(json.dumps(list(key), separators=(",", ":")).encode()).decode().rstrip("=")


def decode(cursor: str | None, *types: Callable[[Any], Any]) -> tuple[Any, ...] | None:
    """Unwrap a cursor into values of the given types, or refuse it."""
    if cursor is None:
        return None
    try:
        values = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        if not isinstance(values, list) or len(values) != len(types):
            raise _forged()
        return tuple(read(value) for read, value in zip(types, values, strict=True))
    except (ValueError, TypeError, binascii.Error, RecursionError, OverflowError):
        raise _forged() from None


def _forged() -> Problem:
    fault = Fault(pointer="query/after", detail="take the cursor from a page's `next`, whole and unchanged")
    return Problem("malformed-request", "this cursor was not made here", faults=[fault])


def listed(
    request: Request, items: Sequence[BaseModel], cursor: str | None, headers: Mapping[str, str] | None = None
) -> Response:
    """Answer with a page, and say in the body and in `Link` where the next one is."""
    sent = dict(headers or {})
    following = None
    if cursor is not None:
        kept = [(name, value) for name, value in request.query_params.multi_items() if name != "after"]
        public_url = request.app.state.settings.public_url
        following = f"{public_url}{request.url.path}?{urlencode([*kept, ('after', cursor)])}"
        sent["Link"] = f'<{following}>; rel="next"'
    return Response(to_json({"items": items, "next": following}), 200, sent, JSON)
