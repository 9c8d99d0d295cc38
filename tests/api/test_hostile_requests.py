"""Whatever is written on a socket, the answer is a refusal or what is there: never a failure, never somebody else's.

The lists are `tests/hostile_targets.txt` and `tests/hostile_headers.txt`; bodies are in `test_refused_input.py` and
`test_random_bodies.py`, texts in `test_hostile_texts.py`, cursors in `test_lists.py`, links in `test_sealed_trials.py`.
"""

import json
import socket
import threading
import time
from contextlib import ExitStack, closing, suppress
from urllib.parse import urlsplit

import pytest

from tests import hostile
from tests.api.community import Community, registration, replication
from tests.server import start

_PATIENCE_S = 20
HELD = 80
"""More than the service has threads, and as many half-sent bodies."""


@pytest.fixture
def asked(server):
    with server.client() as client:
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
        community.submitted(person, registration(slug, notes="between us and nobody else"))
    return person, slug


def connected(server):
    url = urlsplit(server.url)
    return socket.create_connection((url.hostname, url.port), timeout=_PATIENCE_S)


def exchanged(server, request):
    """Send bytes as they stand; give the status, the head and the body of what comes back, or None for a hang-up."""
    with closing(connected(server)) as connection:
        connection.sendall(request)
        received = b""
        with suppress(ConnectionResetError):
            while piece := connection.recv(65536):
                received += piece
    received = received.removeprefix(b"HTTP/1.1 100 Continue\r\n\r\n")
    if not received:
        return None
    head, _, body = received.partition(b"\r\n\r\n")
    return int(head.split(b" ", 2)[1]), head.decode("latin-1").lower(), body


def assert_harmless(answer):
    if answer is None:
        return
    status, head, body = answer
    assert status < 500, (status, body[:300])
    assert "\r\nset-cookie:" not in head
    assert "elsewhere.example" not in head
    for hidden in (b"between us", b"root:", b"[project]", b"Traceback", b"create_app"):
        assert hidden not in body
    if status >= 400 and "application/problem+json" in head:
        problem = json.loads(body[body.index(b"{") : body.rindex(b"}") + 1])
        assert problem["status"] == status
    elif status >= 400:
        # The server's own line for what is no HTTP, or a page for a browser.
        assert len(body) < 20_000


def assert_unmoved(server, size):
    failures = [line for line in server.log_lines() if line.get("level") == "error" and "exception" in line]
    assert failures == [], failures[0]["exception"]
    with server.client() as client:
        assert client.get("/health/ready").status_code == 200
        assert client.get("/v1/ledger/head").json()["size"] == size


def size_of(server):
    with server.client() as client:
        return client.get("/v1/ledger/head").json()["size"]


@pytest.mark.parametrize("target", hostile.TARGETS, ids=ascii)
def test_any_target_is_answered_or_refused(server, asked, target):
    person, _ = asked
    size = size_of(server)
    for method in (b"GET", b"POST", b"DELETE"):
        for who in (b"", f"Authorization: Bearer {person.token}\r\n".encode()):
            head = b"%s %s HTTP/1.1\r\nHost: x\r\nConnection: close\r\n%s" % (method, hostile.sent_as(target), who)
            assert_harmless(exchanged(server, head + b"Content-Length: 0\r\n\r\n"))
    assert_unmoved(server, size)


@pytest.mark.parametrize("line", hostile.HEADERS, ids=ascii)
def test_any_header_is_read_or_refused(server, asked, line):
    person, slug = asked
    size, made = size_of(server), 0
    own = f"Authorization: Bearer {person.token}\r\n"
    body = json.dumps(replication(slug, notes=line[:40])).encode()
    plain = f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
    for asking, beside, content in (
        ("GET /v1/questions HTTP/1.1\r\n", "", b""),
        ("GET /v1/me HTTP/1.1\r\n", "", b""),
        ("GET /take-part HTTP/1.1\r\n", "", b""),
        ("POST /v1/replications HTTP/1.1\r\n", plain, body),
        ("POST /v1/replications HTTP/1.1\r\n", own + plain, body),
    ):
        # The line comes first: a framework that takes the first of two takes it. Where it promises chunks, the last one
        # is sent, or the server would rightly wait for it.
        host = "" if line.lower().startswith("host:") else "Host: x\r\n"
        head = asking.encode() + hostile.sent_as(line) + f"\r\n{host}Connection: close\r\n{beside}\r\n".encode()
        answer = exchanged(server, head + content + b"\r\n0\r\n\r\n" * ("transfer-encoding" in line.lower()))
        assert_harmless(answer)
        made += answer is not None and answer[0] == 201
    assert made <= 1
    assert_unmoved(server, size + made)


@pytest.mark.parametrize(
    "extra",
    [
        "".join(f"X-{number}: y\r\n" for number in range(5000)),
        f"X-Long: {'a' * 1_000_000}\r\n",
        f"Cookie: {'a=b; ' * 100_000}\r\n",
        f"Accept: {'text/html,' * 20_000}\r\n",
        f"Idempotency-Key: {'k' * 5_000}\r\n",
    ],
    ids=["5 000 headers", "one of a megabyte", "100 000 cookies", "20 000 kinds", "a long key"],
)
def test_headers_without_measure_are_answered_or_refused(server, asked, extra):
    size = size_of(server)
    request = f"GET /v1/questions HTTP/1.1\r\nHost: x\r\nConnection: close\r\n{extra}\r\n".encode()
    with suppress(BrokenPipeError, ConnectionResetError):  # it may hang up before everything is written
        assert_harmless(exchanged(server, request))
    assert_unmoved(server, size)


def head_of(path, length, person=None):
    own = f"Authorization: Bearer {person.token}\r\n" if person else ""
    head = f"POST {path} HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nConnection: close\r\n{own}"
    return f"{head}Content-Length: {length}\r\n\r\n".encode()


def test_a_body_that_comes_in_drops_is_read(server, asked):
    person, slug = asked
    body = json.dumps(replication(slug, (11, 12))).encode()
    with closing(connected(server)) as connection:
        connection.sendall(head_of("/v1/replications", len(body), person))
        for start in range(0, len(body), 20):
            connection.sendall(body[start : start + 20])
            time.sleep(0.005)
        assert connection.recv(65536).startswith(b"HTTP/1.1 201 ")


def test_slow_bodies_hold_up_nobody_and_leave_nothing(server, asked):
    person, slug = asked
    body = json.dumps(replication(slug, (10, 12))).encode()
    size = size_of(server)
    with ExitStack() as held:
        slow = [held.enter_context(closing(connected(server))) for _ in range(HELD)]
        for number, connection in enumerate(slow):
            paths = ("/v1/replications", "/v1/replications/check", "/v1/calculators/pooling/trials", "/take-part/begin")
            connection.sendall(head_of(paths[number % 4], len(body), person) + body[: len(body) // 2])
        # Half-sent heads are held too.
        for _ in range(HELD):
            held.enter_context(closing(connected(server))).sendall(b"GET /v1/questions HTTP/1.1\r\nX-Slow: ")
        with server.client() as client:
            for turn in range(3):
                made = client.post("/v1/replications", json=replication(slug, (turn, 12)), headers=person.headers)
                assert made.status_code == 201
                assert client.get(f"/v1/questions/{slug}/evidence").status_code == 200
                assert client.get(f"/questions/{slug}").status_code == 200
        # One of them makes up its mind.
        slow[0].sendall(body[len(body) // 2 :])
        assert slow[0].recv(65536).startswith(b"HTTP/1.1 201 ")
    assert_unmoved(server, size + 4)


@pytest.fixture
def impatient(sqlite_url, tmp_path):
    with start(sqlite_url, tmp_path, BODY_SECONDS="0.5") as server:
        yield server


@pytest.mark.parametrize("path", ["/v1/replications", "/v1/calculators/pooling/trials", "/take-part/begin"])
def test_a_body_that_never_ends_is_given_up(impatient, path):
    with closing(connected(impatient)) as connection:
        connection.sendall(head_of(path, 500) + b'{"question": "')
        answer = b"".join(iter(lambda: connection.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b"The body came too slowly" in answer
    assert b"\r\nconnection: close\r\n" in answer.lower()
    assert_unmoved(impatient, 0)


def test_a_long_body_has_longer_to_come(impatient):
    quarter = b" " * 16 * 1024
    with closing(connected(impatient)) as connection:
        connection.sendall(head_of("/v1/calculators/gravity/scales", 4 * len(quarter)))
        for _ in range(4):
            connection.sendall(quarter)
            time.sleep(0.3)
        assert connection.recv(65536).startswith(b"HTTP/1.1 400 ")


def test_hanging_up_halfway_leaves_nothing(server, asked):
    person, slug = asked
    body = json.dumps(replication(slug, (9, 12))).encode()
    size = size_of(server)

    def hang_up(at):
        with closing(connected(server)) as connection:
            connection.sendall((head_of("/v1/replications", len(body), person) + body)[:at])

    whole = len(head_of("/v1/replications", len(body), person))
    threads = [threading.Thread(target=hang_up, args=(at,)) for at in range(whole - 40, whole + len(body) - 1, 37)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert_unmoved(server, size)
    deadline = time.monotonic() + _PATIENCE_S
    while ("/v1/replications", 499) not in {(line.get("route"), line.get("status")) for line in server.log_lines()}:
        assert time.monotonic() < deadline
        time.sleep(0.05)
