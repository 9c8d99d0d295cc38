"""What a caller may keep, and for how long: tags, 304, immutable answers, private ones."""

from datetime import UTC, datetime, timedelta

import pytest

from service.api import evidence as evidence_door
from service.record.database import Database
from tests.api.community import Community, registration, replication

MOMENT = "public, max-age=0, s-maxage=5, stale-while-revalidate=30, stale-if-error=300"
IMMUTABLE = "public, max-age=31536000, immutable"
TAGGED = [
    "/v1/questions",
    "/v1/questions/{slug}",
    "/v1/questions/{slug}/protocols",
    "/v1/questions/{slug}/protocols/1",
    "/v1/questions/{slug}/evidence",
    "/v1/questions/{slug}/evidence?sealed=false",
    "/v1/questions/{slug}/evidence?as_of=3&method_version=1",
    "/v1/questions/{slug}/evidence/studies",
    "/v1/replications",
    "/v1/ledger",
    "/v1/ledger/head",
]


@pytest.fixture
def asked(community):
    person = community.person()
    slug = community.asked(person)
    community.submitted(person, replication(slug))
    return person, slug


def test_what_the_caller_holds_is_not_sent_again(client, asked, subtests):
    _, slug = asked
    for path in TAGGED:
        with subtests.test(path):
            path_ = path.format(slug=slug)
            whole = client.get(path_)
            assert whole.status_code == 200
            tag = whole.headers["etag"]
            assert tag.startswith('"')  # a strong one
            assert client.get(path_).headers["etag"] == tag
            for given in (tag, f'"other", {tag}', f"W/{tag}", "*"):
                unchanged = client.get(path_, headers={"If-None-Match": given})
                assert (unchanged.status_code, unchanged.content) == (304, b"")
                assert unchanged.headers["etag"] == tag
                assert unchanged.headers["cache-control"] == whole.headers["cache-control"]
            for given in ('"other"', tag[:-2] + '"', ""):
                assert client.get(path_, headers={"If-None-Match": given}).json() == whole.json()


def test_every_tag_changes_with_what_it_stands_for(client, community, asked, subtests):
    person, slug = asked
    paths = [path.format(slug=slug) for path in TAGGED if "as_of" not in path and not path.endswith("/protocols/1")]
    before = {path: client.get(path) for path in paths}
    community.protocol(person, slug)
    community.submitted(person, replication(slug, (11, 12)))
    for path in paths:
        with subtests.test(path):
            after = client.get(path, headers={"If-None-Match": before[path].headers["etag"]})
            assert after.status_code == 200
            assert after.json() != before[path].json()


def test_a_write_to_one_question_leaves_the_tags_of_another_alone(client, community, asked):
    person, slug = asked
    other = community.asked(person)
    paths = [
        path.format(slug=other)
        for path in ("/v1/questions/{slug}", "/v1/questions/{slug}/evidence", "/v1/questions/{slug}/protocols")
    ]
    before = [client.get(path).headers["etag"] for path in paths]
    community.submitted(person, replication(slug, (11, 12)))
    assert [client.get(path).headers["etag"] for path in paths] == before


def test_every_selection_of_the_evidence_has_its_own_tag(client, asked):
    _, slug = asked
    queries = [
        "",
        "sealed=true",
        "sealed=false",
        "registered=true",
        "where=still:pot",
        "where=still:reflux",
        "method=triangle",
    ]
    tags = [client.get(f"/v1/questions/{slug}/evidence?{query}").headers["etag"] for query in queries]
    assert len(set(tags)) == len(queries)
    turned = [
        client.get(f"/v1/questions/{slug}/evidence?{query}").headers["etag"]
        for query in ("where=a:b&where=c:d", "where=c:d&where=a:b")
    ]
    assert turned[0] == turned[1]


@pytest.mark.parametrize(
    ("query", "lasting"),
    [
        ("", MOMENT),
        ("?as_of=3", MOMENT),
        ("?method_version=1", MOMENT),
        ("?as_of=3&method_version=1", IMMUTABLE),
    ],
)
def test_only_an_answer_pinned_both_ways_is_immutable(client, asked, query, lasting):
    _, slug = asked
    for path in (f"/v1/questions/{slug}/evidence", f"/v1/questions/{slug}/evidence/studies"):
        assert client.get(f"{path}{query}").headers["cache-control"] == lasting


def test_an_answer_as_of_a_day_is_immutable_once_the_day_is_over(sqlite_url, join, monkeypatch):
    now = datetime(2031, 5, 17, 12, tzinfo=UTC)
    database = Database(sqlite_url, clock=lambda: now)
    client = join(database)
    village = Community(client)
    slug = village.asked(village.person())
    pinned = f"/v1/questions/{slug}/evidence?as_of=2031-05-17&method_version=1"

    def lasting_at(moment):
        class Then(datetime):
            @classmethod
            def now(cls, tz=None):
                return moment.astimezone(tz)

        monkeypatch.setattr(evidence_door, "datetime", Then)
        return client.get(pinned).headers["cache-control"]

    assert lasting_at(now) == MOMENT
    assert lasting_at(now.replace(hour=23, minute=59)) == MOMENT
    assert lasting_at(now + timedelta(days=1)) == IMMUTABLE
    database.dispose()


def test_a_pinned_answer_stays_the_same_bytes_whatever_comes_after(client, community, asked):
    person, slug = asked
    pinned = f"/v1/questions/{slug}/evidence?as_of=3&method_version=1"
    before = client.get(pinned)
    again = community.submitted(person, replication(slug, (11, 12)))
    community.protocol(person, slug)
    why = {"category": "mixed_up", "reason": "swapped"}
    client.post(f"/v1/replications/{again['id']}/withdraw", headers=person.headers, json=why)
    client.app.app.state.evidence = type(client.app.app.state.evidence)()  # nothing from the cache
    after = client.get(pinned)
    assert after.content == before.content
    assert after.headers["etag"] == before.headers["etag"]


def test_any_position_between_two_entries_of_a_question_gives_the_same_answer(client, community, asked):
    person, slug = asked
    path = f"/v1/questions/{slug}/evidence"
    community.asked(person)  # positions 4 and 5, of another question
    at_3, at_5 = (client.get(f"{path}?as_of={position}") for position in (3, 5))
    assert at_3.content == at_5.content
    assert at_3.headers["etag"] == at_5.headers["etag"]


def test_before_a_question_was_asked_there_is_no_answer(client, community, asked):
    other = community.asked(asked[0])
    assert client.get(f"/v1/questions/{other}/evidence?as_of=3").status_code == 404
    assert client.get(f"/v1/questions/{other}/evidence?as_of=1999-12-31").status_code == 404


def test_a_replication_is_sent_whole_because_its_state_changes_without_a_revision(client, community, asked):
    person, slug = asked
    sent = community.submitted(person, replication(slug))
    path = f"/v1/replications/{sent['id']}"
    why = {"category": "mixed_up", "reason": "swapped"}
    client.post(f"{path}/withdraw", headers=person.headers, json=why)
    read = client.get(path, headers={"If-None-Match": client.get(path).headers["etag"]})
    assert (read.status_code, read.json()["withdrawal_asked"]) == (200, True)


def test_what_depends_on_a_token_is_kept_by_nobody(client, community):
    person = community.person()
    slug = community.asked(person)
    private = [
        client.post("/v1/contributors", json={"display_name": "x"}),
        client.get("/v1/me", headers=person.headers),
        client.get("/v1/me/replications", headers=person.headers),
        client.post("/v1/me/household", headers=person.headers, json={}),
        client.post("/v1/replications", headers=person.headers, json=registration(slug)),
        client.get("/v1/me"),
    ]
    assert [answer.headers["cache-control"] for answer in private] == ["private, no-store"] * len(private)
    assert all("etag" not in answer.headers for answer in private[:4])


def test_health_is_asked_anew_each_time(client):
    for path in ("/health/live", "/health/ready"):
        assert client.get(path).headers["cache-control"] == "no-store"


def test_the_interface_text_is_tagged(client):
    whole = client.get("/openapi.json")
    assert client.get("/openapi.json", headers={"If-None-Match": whole.headers["etag"]}).status_code == 304
