"""One JSON line for each request, by route template: no raw path, no query, no secret."""

import json
import logging
import re
import sys
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any

_TRACEPARENT = re.compile(r"[0-9a-f]{2}-([0-9a-f]{32})-[0-9a-f]{16}-[0-9a-f]{2}")
_requests = logging.getLogger("manybatch.requests")
_failures = logging.getLogger("manybatch.failures")
_slow = logging.getLogger("manybatch.slow")
# Goes into the threads that a request's storage work runs in.
current: ContextVar[Any] = ContextVar("current", default=None)
"""The scope of the request that is being answered."""


class JsonLines(logging.Formatter):
    """Formats a record as one JSON object on one line."""

    def format(self, record: logging.LogRecord) -> str:
        """Write time, level, message and whatever fields the record brought."""
        line: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "message": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line)


def configure(level: str) -> None:
    """Send everything to standard error as JSON lines."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    logging.getLogger("uvicorn.access").disabled = True
    logging.getLogger("alembic").setLevel(logging.WARNING)


def template_of(scope: Any) -> str:  # noqa: ANN401  an ASGI scope is any mapping
    """The route's template; an address that matched none is not repeated."""
    route = scope.get("route")
    return str(getattr(route, "path_format", None) or getattr(route, "path", "unmatched"))


def trace_id_of(traceparent: str | None) -> str | None:
    """Read the trace id from a W3C `traceparent` header; None where there is none of its form."""
    found = _TRACEPARENT.fullmatch(traceparent or "")
    return found[1] if found else None


def log_request(scope: Any, status: int, seconds: float) -> None:  # noqa: ANN401
    """Write the request's line."""
    if _requests.isEnabledFor(logging.INFO):
        fields = {"method": scope["method"], "status": status, "milliseconds": round(seconds * 1000, 2)}
        _requests.info("request", extra={"fields": _whose(scope) | fields})


def log_slow(statement: str, seconds: float, *, failed: bool) -> None:
    """Write a statement that took long, with the request that it was for."""
    fields = {"statement": statement, "milliseconds": round(seconds * 1000, 2), "failed": failed}
    scope = current.get()
    _slow.warning("slow statement", extra={"fields": fields if scope is None else _whose(scope) | fields})


def log_failure(scope: Any, error: Exception) -> None:  # noqa: ANN401
    """Write an unhandled error with its trace, for us alone."""
    _failures.error("unhandled error", exc_info=error, extra={"fields": _whose(scope)})


def _whose(scope: Any) -> dict[str, Any]:  # noqa: ANN401
    """Name the request that a line is about."""
    named = {"request_id": scope["request_id"], "route": template_of(scope)}
    trace_id = scope.get("trace_id")
    return named if trace_id is None else named | {"trace_id": trace_id}
