"""What a host watches: requests by route template, who waits for the record, and how the evidence cache does."""

import time
from typing import Any

from anyio import CapacityLimiter
from fastapi import APIRouter, Request
from prometheus_client import CollectorRegistry, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from starlette.responses import Response

from service.api.problems import Problem

router = APIRouter()
_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
_LOOPBACK = {"127.0.0.1", "::1"}


class Metrics:
    """One process's counters; each application has its own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._requests = Histogram(
            "manybatch_request_seconds",
            "Time from a request's arrival to its answer's end.",
            ("method", "route", "status"),
            buckets=_SECONDS,
            registry=self.registry,
        )
        self._known: dict[tuple[str, str, int], Histogram] = {}
        self.waiting = Gauge(
            "manybatch_record_waiting", "Reads and writes that wait for the record.", ("kind",), registry=self.registry
        )
        self.busy = Gauge(
            "manybatch_record_busy", "Reads and writes under way in the record.", ("kind",), registry=self.registry
        )
        self.evidence = Gauge(
            "manybatch_evidence_lookups",
            "Looks into the evidence cache since the start: answers kept, and answers that had to be computed.",
            ("source",),
            registry=self.registry,
        )
        self._started = Gauge("manybatch_started_seconds", "When the process started.", registry=self.registry)
        self._started.set(time.time())

    def watch_gate(self, kind: str, gate: CapacityLimiter) -> None:
        """Show how many wait at one of the record's gates, and how many are through it."""
        self.waiting.labels(kind).set_function(lambda: gate.statistics().tasks_waiting)
        self.busy.labels(kind).set_function(lambda: gate.borrowed_tokens)

    def observe(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count one answered request under its route template."""
        key = (method, route, status)
        child = self._known.get(key)
        if child is None:
            child = self._known[key] = self._requests.labels(method, route, str(status))
        child.observe(seconds)


def metrics_of(app: Any) -> Metrics:  # noqa: ANN401  a FastAPI application
    """Find the counters that the application was joined with."""
    metrics: Metrics = app.state.metrics
    return metrics


@router.get("/metrics", include_in_schema=False)
async def read_metrics(request: Request) -> Response:
    """Show the counters to the host: from loopback, or with the metrics token."""
    token = request.app.state.settings.metrics_token
    given = request.headers.get("authorization", "")
    by_token = token is not None and given == f"Bearer {token.get_secret_value()}"
    # Behind a proxy every caller comes from loopback: a forwarded request is not one of the host's own.
    from_here = request.client is not None and request.client.host in _LOOPBACK
    if not by_token and (not from_here or "x-forwarded-for" in request.headers or "forwarded" in request.headers):
        raise Problem("not-found")
    return Response(generate_latest(metrics_of(request.app).registry), headers={"Content-Type": CONTENT_TYPE_LATEST})
