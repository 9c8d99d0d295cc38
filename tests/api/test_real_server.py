"""What only a real socket shows: a write is kept before it is acknowledged, and a refusal reaches its sender."""

import json
import socket
import sqlite3
from contextlib import closing
from urllib.parse import urlsplit

import httpx
import psycopg
import pytest

from tests.api.community import Community, replication
from tests.api.test_problems import assert_problem

WRITES = 25
MEBIBYTE = 1024 * 1024
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def client(server):
    with server.client() as client:
        yield client


def first_bytes_of(address, request):
    """Send a request, and return as soon as anything of its answer arrives, with the rest still to be read."""
    connection = socket.create_connection(address, timeout=30)
    connection.sendall(request)
    return connection, connection.recv(1)


def post(path, body, headers):
    content = json.dumps(body).encode()
    given = {"Host": "127.0.0.1", "Content-Length": str(len(content)), "Connection": "close"} | JSON | headers
    lines = [f"POST {path} HTTP/1.1", *(f"{name}: {value}" for name, value in given.items()), "", ""]
    return "\r\n".join(lines).encode() + content


def committed_when_acknowledged(server, look):
    """Write over and over; at the first byte of each answer, look from outside whether what was written is there."""
    with server.client() as client:
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
    url = urlsplit(server.url)
    seen = []
    for number in range(WRITES):
        headers = person.headers | {"Idempotency-Key": f"write-{number}"}
        before = look()
        request = post("/v1/replications", replication(slug, (number % 13, 12)), headers)
        connection, first = first_bytes_of((url.hostname, url.port), request)
        after = look()
        with closing(connection):
            answer = first + b"".join(iter(lambda: connection.recv(65536), b""))  # noqa: B023  read at once
        assert answer.startswith(b"HTTP/1.1 201 ")
        seen.append(after - before)
    return seen


LOOK = "SELECT (SELECT count(*) FROM replication) + (SELECT size FROM ledger_head)"


def test_a_write_is_in_the_record_before_its_answer_leaves(server):
    with closing(sqlite3.connect(server.record, isolation_level=None)) as outside:
        seen = committed_when_acknowledged(server, lambda: outside.execute(LOOK).fetchone()[0])
    assert seen == [2] * WRITES


@pytest.mark.postgres
def test_a_write_is_in_the_record_before_its_answer_leaves_on_postgresql(serve, postgres_url):
    server = serve(postgres_url)
    with psycopg.connect(postgres_url, autocommit=True) as outside:
        seen = committed_when_acknowledged(server, lambda: outside.execute(LOOK).fetchone()[0])
    assert seen == [2] * WRITES


def test_a_body_of_50_megabytes_is_read_to_its_end_and_refused(client):
    answer = client.post("/v1/contributors", content=b"[" * 50 * MEBIBYTE, headers=JSON)
    assert_problem(answer, "body-too-large")
    assert str(MEBIBYTE) in answer.json()["detail"]
    assert client.get("/health/live").status_code == 200  # on the same connection


def test_a_body_that_announces_no_length_is_refused_once_it_passes_the_limit(client):
    pieces = (b'"' + b"a" * MEBIBYTE for _ in range(50))
    assert_problem(client.post("/v1/contributors", content=pieces, headers=JSON), "body-too-large")


def test_a_body_at_the_limit_is_read(client):
    content = json.dumps({"display_name": "x"}).encode().ljust(MEBIBYTE)
    assert client.post("/v1/contributors", content=content, headers=JSON).status_code == 201
    assert_problem(client.post("/v1/contributors", content=content + b" ", headers=JSON), "body-too-large")


def test_a_body_beyond_what_is_drained_is_refused_without_being_read(server):
    url = urlsplit(server.url)
    head = f"POST /v1/contributors HTTP/1.1\r\nHost: x\r\nContent-Length: {10 * 1024 * MEBIBYTE}\r\n"
    connection, first = first_bytes_of(
        (url.hostname, url.port), head.encode() + b"Content-Type: application/json\r\n\r\n{"
    )
    with closing(connection):
        assert (first + connection.recv(65536)).startswith(b"HTTP/1.1 413 ")


def test_columns_may_be_sixteen_times_as_long(client):
    path = "/v1/calculators/gravity/scales"
    content = json.dumps({"sg": [1.05]}).encode()
    assert client.post(path, content=content.ljust(16 * MEBIBYTE), headers=JSON).status_code == 200
    answer = client.post(path, content=content.ljust(16 * MEBIBYTE + 1), headers=JSON)
    assert_problem(answer, "body-too-large")


def test_head_sends_no_body_over_the_wire(server):
    url = urlsplit(server.url)
    request = b"HEAD /v1/questions HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    connection, first = first_bytes_of((url.hostname, url.port), request)
    with closing(connection):
        answer = first + b"".join(iter(lambda: connection.recv(65536), b""))
    head, body = answer.split(b"\r\n\r\n", 1)
    assert head.startswith(b"HTTP/1.1 200 ")
    assert body == b""
    lengths = [line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length: ")]
    assert len(lengths) == 1
    assert int(lengths[0].split()[1]) > 0


def test_a_caller_who_hangs_up_breaks_nothing(server, client):
    url = urlsplit(server.url)
    for head in (b"POST /v1/contributors HTTP/1.1\r\n", b"POST /v1/contributors HTTP/1.1\r\nHost: x\r\n"):
        with socket.create_connection((url.hostname, url.port)) as connection:
            connection.sendall(head + b"Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{")
    assert client.get("/health/ready").status_code == 200


def test_the_server_says_neither_its_name_nor_its_version(client):
    assert "server" not in client.get("/health/live").headers


def test_the_log_of_a_real_server_is_json_lines_with_route_templates(server, client):
    client.get("/v1/questions/hidden-in-the-cellar?secret=4711", headers={"X-Request-ID": "a-real-one"})
    lines = server.log_lines()
    (line,) = [line for line in lines if line.get("request_id") == "a-real-one"]
    assert line["status"] == 422
    assert line["route"] == "/v1/questions/{slug}"
    assert "hidden-in-the-cellar" not in server.log.read_text()
    assert "4711" not in server.log.read_text()


def test_what_is_no_http_is_refused_and_repeated_nowhere(server):
    url = urlsplit(server.url)
    for said in (b"PLUMS \x00\xff\r\n\r\n", b"GET /plums HTTP/1.1\r\nplums\r\n\r\n", b"\x16\x03\x01plums\r\n\r\n"):
        connection, first = first_bytes_of((url.hostname, url.port), said)
        with closing(connection):
            answer = first + b"".join(iter(lambda: connection.recv(65536), b""))  # noqa: B023  read at once
        head, body = answer.split(b"\r\n\r\n", 1)
        assert head.startswith(b"HTTP/1.1 400 ")
        assert b"server:" not in head.lower()
        assert body == b"Invalid HTTP request received."
    log = server.log.read_text().lower()
    assert "plums" not in log
    assert "traceback" not in log


def test_several_requests_travel_on_one_connection(server):
    limits = httpx.Limits(max_connections=1)
    with httpx.Client(base_url=server.url, limits=limits) as client:
        statuses = [client.get(path).status_code for path in ("/v1/questions", "/v1/nothing", "/v1/me", "/health/live")]
    assert statuses == [200, 404, 401, 200]
