"""The ledger's proofs, checked by a verifier that was written from the text of RFC 9162 alone."""

import hashlib
import json
from datetime import UTC, datetime

import pytest

from service.record import ledger
from tests.api.community import replication


def sha256(data):
    return hashlib.sha256(data).digest()


def verify_inclusion(leaf_hash, leaf_index, tree_size, path, root):
    """RFC 9162, 2.1.3.2, step by step; `leaf_index` counts from 0."""
    if leaf_index >= tree_size:
        return False
    fn, sn = leaf_index, tree_size - 1
    r = leaf_hash
    for p in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            r = sha256(b"\x01" + p + r)
            while not fn & 1 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = sha256(b"\x01" + r + p)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and r == root


def verify_consistency(first, second, first_hash, second_hash, path):
    """RFC 9162, 2.1.4.2, step by step."""
    if first == second:
        return not path and first_hash == second_hash
    if not path:
        return False
    path = list(path)
    if first & (first - 1) == 0:
        path.insert(0, first_hash)
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for c in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = sha256(b"\x01" + c + fr), sha256(b"\x01" + c + sr)
            while not fn & 1 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = sha256(b"\x01" + sr + c)
        fn, sn = fn >> 1, sn >> 1
    return fr == first_hash and sr == second_hash and sn == 0


def leaf_of(item):
    """What the contract says of a leaf: SHA-256 over 0x00 and the RFC 8785 bytes of five fields."""
    shown = {name: item[name] for name in ("position", "kind", "subject", "at", "content_hash")}
    assert all(isinstance(value, int) or value.isascii() for value in shown.values())
    return sha256(b"\x00" + json.dumps(shown, sort_keys=True, separators=(",", ":")).encode())


def unhex(path):
    return [bytes.fromhex(each) for each in path]


@pytest.fixture
def history(client, community, database):
    """A ledger of some length, and its head after every entry."""
    person = community.person()
    slug = community.asked(person)
    heads = {}
    for number in range(9):
        community.submitted(person, replication(slug, (number % 12, 12)))
        head = client.get("/v1/ledger/head").json()
        heads[head["size"]] = head["root_hash"]
    return heads


def test_every_leaf_is_what_the_ledger_shows_of_it(client, history):
    items = client.get("/v1/ledger?limit=200").json()["items"]
    assert [item["position"] for item in items] == list(range(1, max(history) + 1))
    for item in items:
        assert item["leaf_hash"] == leaf_of(item).hex()


def test_every_entry_is_proved_to_be_in_every_head_that_was_seen(client, history):
    items = client.get("/v1/ledger?limit=200").json()["items"]
    for size, root in history.items():
        for item in items[:size]:
            proof = client.get(f"/v1/ledger/{item['position']}/proof?size={size}").json()
            assert proof["root_hash"] == root
            assert verify_inclusion(
                leaf_of(item), item["position"] - 1, size, unhex(proof["path"]), bytes.fromhex(root)
            )
            wrong = sha256(b"\x00 something else")
            assert not verify_inclusion(wrong, item["position"] - 1, size, unhex(proof["path"]), bytes.fromhex(root))


def test_every_head_is_proved_to_begin_every_later_one(client, history):
    for first, first_root in history.items():
        for second, second_root in history.items():
            if first > second:
                continue
            proof = client.get(f"/v1/ledger/consistency?from={first}&to={second}").json()
            assert (proof["first_root_hash"], proof["second_root_hash"]) == (first_root, second_root)
            ends = bytes.fromhex(first_root), bytes.fromhex(second_root)
            assert verify_consistency(first, second, *ends, unhex(proof["path"]))
            if first < second:
                assert not verify_consistency(first, second, ends[1], ends[1], unhex(proof["path"]))


def test_without_a_size_the_present_one_is_meant(client, history):
    size = max(history)
    assert client.get("/v1/ledger/1/proof").json() == client.get(f"/v1/ledger/1/proof?size={size}").json()
    assert client.get("/v1/ledger/consistency?from=2").json()["second"] == size


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/v1/ledger/0/proof", 404),
        ("/v1/ledger/x/proof", 404),
        ("/v1/ledger/3/proof?size=2", 404),
        ("/v1/ledger/1/proof?size=1000", 404),
        ("/v1/ledger/1000/proof", 404),
        ("/v1/ledger/1/proof?size=0", 422),
        ("/v1/ledger/consistency", 422),
        ("/v1/ledger/consistency?from=0", 422),
        ("/v1/ledger/consistency?from=3&to=2", 404),
        ("/v1/ledger/consistency?from=1&to=1000", 404),
        (f"/v1/ledger/consistency?from={2**63}", 422),
    ],
)
def test_what_there_is_no_proof_of_is_a_problem(client, history, path, status):
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_proof_of_named_sizes_may_be_kept_for_ever(client, history):
    for path in ("/v1/ledger/1/proof?size=5", "/v1/ledger/consistency?from=2&to=5"):
        answer = client.get(path)
        assert "immutable" in answer.headers["cache-control"]
        assert client.get(path, headers={"If-None-Match": answer.headers["etag"]}).status_code == 304
    assert "immutable" not in client.get("/v1/ledger/1/proof").headers["cache-control"]


def test_times_are_shown_in_the_form_that_leaves_are_hashed_in(open_database, join):
    database = open_database(clock=lambda: datetime(2031, 5, 17, 12, tzinfo=UTC))
    with database.write() as session:
        ledger.append(session, kind="report", subject="x", content={})
    client = join(database)
    assert client.get("/v1/ledger").json()["items"][0]["at"] == "2031-05-17T12:00:00.000000Z"
    assert client.get("/v1/ledger/head").json()["at"] == "2031-05-17T12:00:00.000000Z"


def test_the_documentation_says_what_a_proof_does_not_show(client):
    text = client.get("/openapi.json").json()
    for path in ("/v1/ledger/{position}/proof", "/v1/ledger/consistency"):
        assert "not that what people submitted is true" in text["paths"][path]["get"]["description"]
