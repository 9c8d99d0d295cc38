"""What the host watches, and who may look."""

import logging
import os
import re
from pathlib import Path
from types import SimpleNamespace

import anyio
import httpx
import pytest
from pydantic import SecretStr

from service.api.evidence_cache import EvidenceCache
from service.api.metrics import Metrics, _Helped
from service.app import create_app
from service.record import health
from service.record.database import Database
from service.settings import Settings

TRACE = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"


@pytest.fixture
def get(sqlite):
    settings = Settings().on(log_level="error", rate_limits="off", metrics_token=SecretStr("a-token"))
    app = create_app(settings, sqlite)

    def get_(path, address="127.0.0.1", **headers):
        async def ask():
            transport = httpx.ASGITransport(app, client=(address, 1))
            async with httpx.AsyncClient(transport=transport, base_url="http://here") as client:
                return await client.get(path, headers=headers)

        return anyio.run(ask)

    return get_


def test_requests_are_counted_by_route_template(get):
    get("/v1/questions/nobody-asked-this")
    get("/v1/questions/nor-this")
    get("/no/such/place")
    text = get("/metrics").text
    assert 'manybatch_request_seconds_count{method="GET",route="/v1/questions/{slug}",status="404"} 2.0' in text
    assert 'route="unmatched",status="404"} 1.0' in text
    assert "nobody-asked" not in text
    assert 'manybatch_record_busy{kind="read"} 0.0' in text
    assert 'manybatch_record_waiting{kind="write"} 0.0' in text


def test_the_record_and_the_cache_are_looked_at(get, sqlite):
    text = get("/metrics").text
    for line in (
        'manybatch_record_most{kind="write"} 1.0',
        'manybatch_pool_connections_in_use{pool="readers"} 0.0',
        'manybatch_pool_connections_most{pool="writer"} 1.0',
        'manybatch_evidence_lookups_total{source="computed"} 0.0',
        "manybatch_evidence_evictions_total 0.0",
        "manybatch_evidence_kept_bytes 0.0",
        "manybatch_helper_waiting 0.0",
        "manybatch_helper_running 0.0",
    ):
        assert line in text
    assert "manybatch_disk_free_bytes " in text
    assert "process_resident_memory_bytes " in text
    assert "manybatch_helper_process_" not in text  # there is none before a large answer is asked for
    assert "_created" not in text


def test_what_the_helper_holds_is_told_while_it_is_there():
    helper = SimpleNamespace(process_id=os.getpid(), waiting=3)
    metrics = Metrics()
    metrics.registry.register(_Helped(helper))
    value = metrics.registry.get_sample_value
    assert (value("manybatch_helper_running"), value("manybatch_helper_waiting")) == (1, 3)
    assert value("manybatch_helper_process_resident_memory_bytes") > 0


def test_answers_that_leave_the_cache_are_counted():
    cache = EvidenceCache(bound_bytes=10)
    for number in range(3):
        cache.put(number, b"12345")
    assert (len(cache), cache.bytes, cache.evictions) == (2, 10, 1)


def test_slow_statements_are_logged_and_counted_by_route_without_values(sqlite, caplog):
    settings = Settings().on(rate_limits="off", slow_query_ms=0)
    app = create_app(settings, sqlite)
    root = logging.getLogger()
    root.addHandler(caplog.handler)  # the service has put its own handler in place of all others

    async def ask(path):
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 1))
        async with httpx.AsyncClient(transport=transport, base_url="http://here") as client:
            return await client.get(path, headers={"X-Request-ID": "the-slow-one", "traceparent": TRACE})

    anyio.run(ask, "/v1/questions/plums-in-the-cellar")
    slow = [record.fields for record in caplog.records if record.name == "manybatch.slow"]
    assert slow
    for fields in slow:
        assert fields["request_id"] == "the-slow-one"
        assert fields["trace_id"] == "4bf92f3577b34da6a3ce929d0e0e4736"
        assert fields["route"] == "/v1/questions/{slug}"
        assert fields["milliseconds"] >= 0
    assert any("FROM question" in fields["statement"] for fields in slow)
    ours = [record.__dict__ for record in caplog.records if record.name.startswith("manybatch")]
    assert "plums-in-the-cellar" not in repr(ours)
    counted = f'manybatch_slow_statements_total{{route="/v1/questions/{{slug}}"}} {len(slow)}.0'
    assert counted in anyio.run(ask, "/metrics").text


def test_every_counter_that_the_guide_names_is_there(get, monkeypatch):
    monkeypatch.setattr(Database, "has_replica", property(lambda _: True))
    monkeypatch.setattr(health, "seconds_behind", lambda _: 0.0)
    get("/health/live")
    guide = (Path(__file__).parents[2] / "openapi_notes" / "running.md").read_text()
    named = set(re.findall(r"(?:manybatch|process)_[a-z_]+", guide))
    named -= {name for name in named if name.startswith("manybatch_helper_process")}  # while there is one
    told = set(re.findall(r"^(\w+)", get("/metrics").text, re.MULTILINE))
    told |= {"manybatch_slow_statements_total", "manybatch_reads"}  # counted by route once there is one; a slot's name
    assert len(named) > 10
    assert named <= told


def test_strangers_see_nothing(get):
    assert get("/metrics", "192.0.2.7").status_code == 404
    assert get("/metrics", "192.0.2.7", Authorization="Bearer wrong").status_code == 404
    assert get("/metrics", "192.0.2.7", Authorization="Bearer a-token").status_code == 200


def test_a_forwarded_request_is_not_from_here(get):
    assert get("/metrics", **{"X-Forwarded-For": "192.0.2.7"}).status_code == 404
