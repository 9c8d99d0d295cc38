"""The drawings over HTTP: what they are, how long they may be kept, and what is refused."""

from uuid import UUID

import pytest

from service import app
from service.api import drawings
from service.record import contributors, erasure
from tests.api.community import Community, registration, replication

DRAWINGS = [
    ("/v1/questions/{slug}/evidence/forest.svg", "image/svg+xml"),
    ("/v1/questions/{slug}/evidence/forest.png", "image/png"),
    ("/v1/questions/{slug}/evidence/path.svg", "image/svg+xml"),
    ("/v1/questions/{slug}/evidence/path.png", "image/png"),
    ("/v1/replications/{id}/curves.svg", "image/svg+xml"),
    ("/v1/replications/{id}/curves.png", "image/png"),
]
BEGINS = {"image/svg+xml": b"<?xml", "image/png": b"\x89PNG"}


@pytest.fixture
def place(sqlite, join, monkeypatch):
    if drawings.router not in app.ROUTERS:
        monkeypatch.setattr(app, "ROUTERS", (*app.ROUTERS, drawings.router))
    client = join(sqlite)
    community = Community(client)
    person = community.person()
    slug = community.asked(person)
    batches = [
        {"arm": arm, "batch": arm, "final_sg": 1.0 + shift, "readings": [{"at_h": 0, "sg": 1.05}]}
        for arm, shift in (("control", 0.004), ("treatment", 0.001))
    ]
    made = community.submitted(person, replication(slug, batches=batches))
    return client, community, person, slug, made["id"]


def test_each_is_a_picture_with_a_strong_tag(place, subtests):
    client, _, _, slug, replication_id = place
    tags = set()
    for path, kind in DRAWINGS:
        with subtests.test(path):
            at = path.format(slug=slug, id=replication_id)
            whole = client.get(at)
            assert (whole.status_code, whole.headers["content-type"].split(";")[0]) == (200, kind)
            assert whole.content.startswith(BEGINS[kind])
            assert client.get(at).content == whole.content
            tag = whole.headers["etag"]
            tags.add(tag)
            unchanged = client.get(at, headers={"If-None-Match": tag})
            assert (unchanged.status_code, unchanged.content, unchanged.headers["etag"]) == (304, b"", tag)
            assert client.get(at, headers={"Accept": "text/csv"}).status_code == 406
            assert client.get(at, headers={"Accept": "image/*"}).status_code == 200
    assert len(tags) == len(DRAWINGS)


def test_they_take_the_evidence_s_own_parameters(place):
    client, community, _, slug, _ = place
    at = f"/v1/questions/{slug}/evidence/forest.svg"
    position = community.evidence(slug)["as_of"]["position"]
    pinned = client.get(at, params={"as_of": position, "method_version": "1"})
    assert "immutable" in pinned.headers["cache-control"]
    community.submitted(community.person(), replication(slug, (11, 12)))
    assert client.get(at, params={"as_of": position, "method_version": "1"}).content == pinned.content
    assert b"11/12" in client.get(at).content
    assert b"11/12" not in client.get(at, params={"sealed": "true"}).content
    measured = client.get(at, params={"outcome": "final_sg"})
    assert b"final gravity, treatment less control" in measured.content
    assert measured.headers["etag"] != client.get(at).headers["etag"]


def test_what_the_evidence_refuses_they_refuse(place, subtests):
    client, _, _, slug, _ = place
    for path in ("forest.svg", "forest.png", "path.svg", "path.png"):
        for query, status in (
            ("control=nothing", 422),
            ("as_of=100000", 422),
            ("method_version=0", 410),
            ("colour=red", 422),
        ):
            with subtests.test(f"{path}?{query}"):
                refused = client.get(f"/v1/questions/{slug}/evidence/{path}?{query}")
                assert refused.status_code == status
                assert refused.headers["content-type"] == "application/problem+json"
    assert client.get("/v1/questions/nowhere/evidence/forest.svg").status_code == 404


def test_curves_are_nobodys_business_before_submission(place, sqlite):
    client, community, person, slug, replication_id = place
    started = community.submitted(person, registration(slug))
    assert client.get(f"/v1/replications/{started['id']}/curves.svg").status_code == 404
    assert client.get("/v1/replications/00000000-0000-7000-8000-000000000000/curves.svg").status_code == 404
    with sqlite.write() as session:
        erasure.erase(session, contributors.get(session, UUID(person.id)))
    assert client.get(f"/v1/replications/{replication_id}/curves.svg").status_code == 410
