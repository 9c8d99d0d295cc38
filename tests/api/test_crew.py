"""What several workers count is told as one text."""

import socket
from contextlib import closing

import anyio
import pytest
from prometheus_client import CollectorRegistry, Gauge
from prometheus_client.parser import text_string_to_metric_families

from service.api import crew
from service.api.crew import Crew


def counted(value):
    registry = CollectorRegistry()
    Gauge("glasses", "Poured.", ("arm",), registry=registry).labels("control").set(value)
    return registry


def read(text):
    families = list(text_string_to_metric_families(text.decode()))
    assert len({family.name for family in families}) == len(families)
    return [(each.name, each.labels, each.value) for family in families for each in family.samples]


@pytest.fixture
def two(tmp_path, monkeypatch):
    made = []
    for worker, value in ((71, 3), (72, 4)):
        monkeypatch.setattr(crew.os, "getpid", lambda worker=worker: worker)
        made.append(Crew(counted(value), tmp_path))
    return made


def test_whoever_is_alone_names_nobody():
    assert read(anyio.run(Crew(counted(3)).text)) == [("glasses", {"arm": "control"}, 3)]


def test_each_tells_of_all(two, tmp_path):
    async def ask():
        async with two[0].present(), two[1].present():
            return await two[0].text(), await two[1].text()

    for text in anyio.run(ask):
        assert sorted(read(text), key=lambda each: each[2]) == [
            ("glasses", {"arm": "control", "worker": "71"}, 3),
            ("glasses", {"arm": "control", "worker": "72"}, 4),
        ]
    assert list(tmp_path.iterdir()) == []


def test_who_died_or_says_nothing_is_left_out(two, tmp_path, monkeypatch):
    monkeypatch.setattr(crew, "_PATIENCE_S", 0.05)
    with closing(socket.socket(socket.AF_UNIX)) as dead:
        dead.bind(str(tmp_path / "1.sock"))
    with closing(socket.socket(socket.AF_UNIX)) as silent:
        silent.bind(str(tmp_path / "2.sock"))
        silent.listen()
        assert [each[2] for each in read(anyio.run(two[0].text))] == [3]
    assert [each.name for each in tmp_path.iterdir()] == ["2.sock"]
