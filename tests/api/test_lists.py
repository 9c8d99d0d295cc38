"""Lists: keyset pages that stay where they are while others write."""

import base64
import json

import pytest

from tests.api.community import registration, replication
from tests.api.test_problems import assert_problem


@pytest.fixture
def busy(community):
    """A record with five of everything that is listed; the address of each list by its name."""
    person = community.person()
    slug = community.asked(person)
    for _ in range(4):
        community.asked(person)
        community.protocol(person, slug)
    for correct in range(5):
        community.submitted(community.person(), replication(slug, (correct, 12)))
        community.submitted(person, registration(slug))
    return person, slug


LISTS = [
    "/v1/questions",
    "/v1/replications",
    "/v1/me/replications",
    "/v1/ledger",
    "/v1/questions/{slug}/evidence/studies",
]


def walked(client, path, headers, **query):
    """Follow `next` from the first page to the last."""
    pages = [client.get(path, params=query or None, headers=headers)]
    while pages[-1].json()["next"] is not None:
        pages.append(client.get(pages[-1].json()["next"], headers=headers))
    return pages


def test_pages_put_together_are_the_list(client, busy, subtests):
    person, slug = busy
    for path in LISTS:
        with subtests.test(path):
            path_ = path.format(slug=slug)
            whole = client.get(path_, params={"limit": 200}, headers=person.headers).json()
            assert set(whole) == {"items", "next"}
            assert whole["next"] is None
            assert len(whole["items"]) >= 5
            pages = walked(client, path_, person.headers, limit=2)
            assert [item for page in pages for item in page.json()["items"]] == whole["items"]
            assert all(len(page.json()["items"]) == 2 for page in pages[:-1])
            for page in pages:
                following = page.json()["next"]
                assert page.headers.get("link") == (f'<{following}>; rel="next"' if following else None)
                assert following is None or "limit=2" in following
            exact = client.get(path_, params={"limit": len(whole["items"])}, headers=person.headers)
            assert exact.json()["next"] is None  # a page that is just full is the last
            assert "link" not in exact.headers


def test_what_is_written_between_two_pages_moves_nothing(client, community, busy, subtests):
    person, slug = busy
    for path in LISTS:
        with subtests.test(path):
            path_ = path.format(slug=slug)
            before = client.get(path_, params={"limit": 200}, headers=person.headers).json()["items"]
            first = client.get(path_, params={"limit": 2}, headers=person.headers).json()
            community.submitted(person, replication(slug, (6, 12)))
            community.submitted(person, replication(community.asked(person), (7, 12)))
            rest = [item for page in walked(client, first["next"], person.headers) for item in page.json()["items"]]
            seen = first["items"] + rest
            # The ledger goes on at its end, where the new entries are; nothing before them moved.
            assert [_told(item) for item in seen[: len(before)]] == [_told(item) for item in before]
            assert len(seen) == len(before) + (4 if path == "/v1/ledger" else 0)


def _told(item):
    """What tells items apart; counts and the one-line answer may change while one reads."""
    return next(item[name] for name in ("position", "slug", "id", "study") if name in item)


def test_what_leaves_between_two_pages_of_studies_moves_nothing(client, community, busy):
    _, slug = busy
    path = f"/v1/questions/{slug}/evidence/studies"
    before = client.get(path).json()["items"]
    first = client.get(path, params={"limit": 2}).json()
    document = replication(slug, (12, 12), reason="the wrong sheet was copied")
    owner = community.person()
    mine = community.submitted(owner, replication(slug))
    client.put(f"/v1/replications/{mine['id']}", headers=owner.headers | {"If-Match": '"r1"'}, json=document)
    rest = [item for page in walked(client, first["next"], {}) for item in page.json()["items"]]
    assert first["items"] + rest == before


def test_a_page_keeps_the_filters_of_the_first(client, busy):
    _, slug = busy
    pages = walked(client, "/v1/replications", {}, question=slug, limit=2)
    assert len(pages) == 3
    assert {item["question"] for page in pages for item in page.json()["items"]} == {slug}
    found = walked(client, "/v1/questions", {}, search="grain wash", stage="distil", limit=2)
    assert len(found) == 3
    assert all("stage=distil" in page.json()["next"] for page in found[:-1])


@pytest.mark.parametrize("limit", [0, 201, -1, "many", "1.5", "", "1e2"])
def test_a_limit_is_1_to_200(sqlite_client, limit):
    answer = sqlite_client.get("/v1/questions", params={"limit": limit})
    assert [fault["pointer"] for fault in assert_problem(answer, "invalid-input")["errors"]] == ["query/limit"]


def cursor(value):
    return base64.urlsafe_b64encode(json.dumps(value).encode()).decode().rstrip("=")


FORGED = [
    "abc",
    "W" * 10_000,
    "~~~~",
    "%FF",
    "",
    "WzFd!",
    *(
        cursor(value)
        for value in (
            None,
            5,
            "5",
            [],
            [1, 2],
            [None],
            [True],
            ["1"],
            [1.5],
            [-1],
            [2**53],
            [10**30],
            [[1]],
            {"a": 1},
            [float("inf")],
        )
    ),
]


def test_a_cursor_made_by_hand_is_refused(client, community, subtests):
    person = community.person()
    slug = community.asked(person)
    paths = ["/v1/questions", "/v1/replications", "/v1/me/replications", f"/v1/questions/{slug}/evidence/studies"]
    for path in paths:
        for after in FORGED:
            with subtests.test(after, path=path):
                answer = client.get(f"{path}?after={after}", headers=person.headers)
                faults = assert_problem(answer, "malformed-request")["errors"]
                assert [fault["pointer"] for fault in faults] == ["query/after"]


@pytest.mark.parametrize("after", ["-1", str(2**53 + 1), "abc", "1.5"])
def test_a_ledger_position_made_by_hand_is_refused(sqlite_client, after):
    assert_problem(sqlite_client.get("/v1/ledger", params={"after": after}), "invalid-input")
