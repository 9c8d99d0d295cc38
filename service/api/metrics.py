"""What a host watches: requests by route template, who waits for the record, and how the evidence cache does."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector, disable_created_metrics
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.registry import Collector
from starlette.responses import Response

from service.api.logs import current, template_of
from service.api.problems import Problem
from service.record import health
from service.record.errors import RecordError

if TYPE_CHECKING:
    from service.api.crew import Crew
    from service.api.evidence_cache import EvidenceCache
    from service.api.helper import Helper
    from service.api.storage import Storage

router = APIRouter()
_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
# When each label was first seen would make the text twice as long.
disable_created_metrics()  # type: ignore[no-untyped-call]
_LOOPBACK = {"127.0.0.1", "::1"}


class Metrics:
    """One process's counters; each application has its own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        self._requests = Histogram(
            "manybatch_request_seconds",
            "Time from a request's arrival to its answer's end.",
            ("method", "route", "status"),
            buckets=_SECONDS,
            registry=self.registry,
        )
        self._known: dict[tuple[str, str, int], Histogram] = {}
        self._slow = Counter(
            "manybatch_slow_statements",
            "Statements that took as long as MANYBATCH_SLOW_QUERY_MS or longer.",
            ("route",),
            registry=self.registry,
        )

    def watch(self, storage: "Storage", cache: "EvidenceCache", helper: "Helper") -> None:
        """Look at the record's gates and pools, the evidence cache and the helper whenever somebody looks."""
        self.registry.register(_Looked(storage, cache))
        self.registry.register(_Helped(helper))

    def observe(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count one answered request under its route template."""
        key = (method, route, status)
        child = self._known.get(key)
        if child is None:
            child = self._known[key] = self._requests.labels(method, route, str(status))
        child.observe(seconds)

    def count_slow(self) -> None:
        """Count a slow statement under the route of the request that it was for."""
        scope = current.get()
        self._slow.labels("none" if scope is None else template_of(scope)).inc()


class _Looked(Collector):
    """What is known without being counted: read where it is, when it is asked for."""

    def __init__(self, storage: "Storage", cache: "EvidenceCache") -> None:
        self._storage, self._cache = storage, cache

    def collect(self) -> Iterator[Metric]:
        yield from self._gates()
        yield from self._pools()
        yield from self._evidence()
        yield from self._room()

    def describe(self) -> Iterator[Metric]:
        """Name nothing beforehand: to register is not to look."""
        return iter(())

    def _gates(self) -> Iterator[Metric]:
        waiting = GaugeMetricFamily(
            "manybatch_record_waiting", "Reads and writes that wait for the record.", labels=["kind"]
        )
        busy = GaugeMetricFamily("manybatch_record_busy", "Reads and writes under way in the record.", labels=["kind"])
        most = GaugeMetricFamily(
            "manybatch_record_most", "Reads and writes that may be under way at once.", labels=["kind"]
        )
        for kind, gate in self._storage.gates().items():
            waiting.add_metric([kind], gate.statistics().tasks_waiting)
            busy.add_metric([kind], gate.borrowed_tokens)
            most.add_metric([kind], gate.total_tokens)
        yield from (waiting, busy, most)

    def _pools(self) -> Iterator[Metric]:
        used = GaugeMetricFamily(
            "manybatch_pool_connections_in_use", "Connections to the database that are in use.", labels=["pool"]
        )
        most = GaugeMetricFamily(
            "manybatch_pool_connections_most", "Connections that a pool may open.", labels=["pool"]
        )
        for name, use in self._storage.database.pools().items():
            used.add_metric([name], use.in_use)
            most.add_metric([name], use.most)
        yield from (used, most)

    def _evidence(self) -> Iterator[Metric]:
        lookups = CounterMetricFamily(
            "manybatch_evidence_lookups",
            "Looks into the evidence cache: answers that were kept, and answers that had to be computed.",
            labels=["source"],
        )
        lookups.add_metric(["kept"], self._cache.hits)
        lookups.add_metric(["computed"], self._cache.misses)
        yield lookups
        yield CounterMetricFamily(
            "manybatch_evidence_evictions", "Answers that had to leave the evidence cache.", self._cache.evictions
        )
        yield GaugeMetricFamily("manybatch_evidence_kept_answers", "Answers in the evidence cache.", len(self._cache))
        yield GaugeMetricFamily("manybatch_evidence_kept_bytes", "Their size.", self._cache.bytes)

    def _room(self) -> Iterator[Metric]:
        database = self._storage.database
        free = health.free_bytes(database)
        if free is not None:
            yield GaugeMetricFamily("manybatch_disk_free_bytes", "Room where the record's file lies.", free)
        if database.has_replica:
            try:
                behind = health.seconds_behind(database)
            except RecordError:
                behind = float("nan")
            yield GaugeMetricFamily(
                "manybatch_replica_lag_seconds", "How far behind the replica is; NaN where it is away.", behind
            )


class _Helped(Collector):
    """The process that makes large answers: what it holds while it is there, and who waits for it."""

    def __init__(self, helper: "Helper") -> None:
        self._helper = helper
        self._process = ProcessCollector(
            namespace="manybatch_helper", pid=lambda: self._helper.process_id or "none", registry=None
        )

    def collect(self) -> Iterator[Metric]:
        yield GaugeMetricFamily(
            "manybatch_helper_waiting",
            "Large answers that are waited for.",
            self._helper.waiting,
        )
        running = self._helper.process_id is not None
        yield GaugeMetricFamily("manybatch_helper_running", "Whether the helper's process is there.", int(running))
        if running:
            yield from self._process.collect()

    def describe(self) -> Iterator[Metric]:
        """Name nothing beforehand: to register is not to look."""
        return iter(())


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
    crew: Crew = request.app.state.crew
    return Response(await crew.text(), headers={"Content-Type": CONTENT_TYPE_LATEST, "Cache-Control": "no-store"})
