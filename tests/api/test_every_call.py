"""What holds for every call: origins, ids, logs, HEAD, links, cookies, and a page that loads from here alone."""

import json
import logging
import re
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

import pytest

from service.api.logs import JsonLines
from service.api.security import new_secret
from tests.api.community import Community, replication

EXPOSED = {"ETag", "Link", "Location", "RateLimit", "RateLimit-Policy", "Retry-After"}
PUBLIC = ["/v1/questions", "/v1/questions/{slug}/evidence", "/v1/replications/{id}", "/v1/ledger", "/v1/calculators"]
ELSEWHERE = {"Origin": "https://elsewhere.example"}
UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@pytest.fixture
def asked(village):
    person = village.person()
    slug = village.asked(person)
    return person, slug, village.submitted(person, replication(slug))["id"]


@pytest.mark.parametrize("path", [*PUBLIC, "/v1/nothing"])
def test_any_origin_reads_what_anybody_may_read_without_credentials(sqlite_client, asked, path):
    _, slug, made = asked
    answer = sqlite_client.get(path.format(slug=slug, id=made), headers=ELSEWHERE)
    assert answer.headers["access-control-allow-origin"] == "*"
    assert set(answer.headers["access-control-expose-headers"].split(", ")) == EXPOSED
    assert "access-control-allow-credentials" not in answer.headers


def test_any_origin_calculates(sqlite_client):
    for answer in (
        sqlite_client.post("/v1/calculators/gravity/scales", headers=ELSEWHERE, json={"sg": 1.05}),
        sqlite_client.post("/v1/calculators/gravity/scales", headers=ELSEWHERE, json={}),
        sqlite_client.get("/v1/calculators/gravity/scales?sg=1.05", headers=ELSEWHERE),
    ):
        assert answer.headers["access-control-allow-origin"] == "*"


def test_no_other_origin_sees_what_depends_on_a_token(sqlite_client, asked):
    person, slug, made = asked
    headers = person.headers | ELSEWHERE
    for answer in (
        sqlite_client.get("/v1/me", headers=headers),
        sqlite_client.get("/v1/me", headers=ELSEWHERE),
        sqlite_client.get("/v1/me/replications", headers=headers),
        sqlite_client.post("/v1/me/household", headers=headers, json={}),
        sqlite_client.post("/v1/contributors", headers=ELSEWHERE, json={"display_name": "x"}),
        sqlite_client.post("/v1/replications", headers=headers, json=replication(slug)),
        sqlite_client.post(f"/v1/replications/{made}/submit", headers=headers),
    ):
        assert not [name for name in answer.headers if name.startswith("access-control-")]


def test_a_browser_that_asks_beforehand_is_told_the_same(sqlite_client):
    def preflight(path, method):
        asked = ELSEWHERE | {"Access-Control-Request-Method": method, "Access-Control-Request-Headers": "content-type"}
        return sqlite_client.options(path, headers=asked)

    calculators = preflight("/v1/calculators/gravity/scales", "POST")
    assert calculators.status_code == 204
    assert calculators.headers["access-control-allow-origin"] == "*"
    assert "POST" in calculators.headers["access-control-allow-methods"]
    assert "content-type" in calculators.headers["access-control-allow-headers"].lower()
    reading = preflight("/v1/questions", "POST")
    assert reading.headers["access-control-allow-methods"] == "GET, HEAD"
    assert "authorization" not in reading.headers["access-control-allow-headers"].lower()
    for path in ("/v1/me", "/v1/me/replications"):
        assert not [name for name in preflight(path, "GET").headers if name.startswith("access-control-")]


@pytest.mark.parametrize("path", ["/v1/questions", "/v1/nothing", "/v1/me", "/docs"])
def test_a_request_id_is_echoed_or_made(sqlite_client, path):
    assert sqlite_client.get(path, headers={"X-Request-ID": "batch-7_a.b"}).headers["x-request-id"] == "batch-7_a.b"
    made = [sqlite_client.get(path).headers["x-request-id"] for _ in range(2)]
    assert all(UUID.fullmatch(each) for each in made)
    assert made[0] != made[1]


@pytest.mark.parametrize("given", ["", "a b", "x" * 65, "<script>", "a\tb", "é"])
def test_a_request_id_out_of_form_is_replaced(sqlite_client, given):
    echoed = sqlite_client.get("/health/live", headers={"X-Request-ID": given.encode()}).headers["x-request-id"]
    assert UUID.fullmatch(echoed)


def test_no_answer_is_read_as_something_else(sqlite_client):
    for path in ("/v1/questions", "/v1/nothing", "/docs", "/openapi.json"):
        assert sqlite_client.get(path).headers["x-content-type-options"] == "nosniff"


@pytest.fixture
def lines(caplog):
    """Give what the service has logged, as it writes it."""
    caplog.set_level(logging.DEBUG)
    # The application sets its own level; what it says is wanted here in whole.
    logging.getLogger().setLevel(logging.DEBUG)
    return lambda: [JsonLines().format(record) for record in caplog.records if record.name.startswith("manybatch")]


def test_a_line_names_the_route_by_its_template(sqlite_client, asked, lines):
    person, slug, made = asked
    sqlite_client.get(f"/v1/replications/{made}", headers={"X-Request-ID": "batch-7"})
    line = json.loads(lines()[-1])
    assert isinstance(line.pop("milliseconds"), float)
    assert line.pop("at")
    assert line == {
        "level": "info",
        "message": "request",
        "request_id": "batch-7",
        "method": "GET",
        "route": "/v1/replications/{replication_id}",
        "status": 200,
    }
    del person, slug


def test_no_line_carries_a_path_a_query_a_token_or_a_document(sqlite_client, asked, lines):
    person, slug, made = asked
    secret, hidden = new_secret(), "hidden-in-the-cellar"
    headers = person.headers | {"Idempotency-Key": secret, "Cookie": f"session={secret}", "User-Agent": hidden}
    before = len(lines())
    sqlite_client.post("/v1/replications", headers=headers, json=replication(slug, notes=hidden))
    sqlite_client.get(f"/v1/replications/{made}?{hidden}=1")
    sqlite_client.get(f"/v1/taste/{secret}")
    sqlite_client.get(f"/v1/{hidden}", headers={"Authorization": f"Bearer {secret}"})
    sqlite_client.post("/v1/me/household", headers=person.headers, json={"join_code": secret})
    sqlite_client.get(f"/v1/questions?search={hidden}")
    written = "\n".join(lines()[before:])
    assert written.count("\n") == 5
    for each in (secret, hidden, person.token, slug, made):
        assert each not in written
    assert '"route": "unmatched"' in written


def test_a_failure_is_logged_with_its_trace_for_us_alone(sqlite_client, asked, lines, monkeypatch):
    _, slug, _ = asked

    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr("service.api.questions.questions.by_slug", broken)
    before = len(lines())
    answer = sqlite_client.get(f"/v1/questions/{slug}")
    assert answer.status_code == 500
    failure, request = (json.loads(line) for line in lines()[before:])
    assert "ZeroDivisionError" in failure["exception"]
    assert failure["route"] == request["route"] == "/v1/questions/{slug}"
    assert failure["request_id"] == answer.headers["x-request-id"]
    assert request["status"] == 500


@pytest.mark.parametrize("path", [*PUBLIC, "/v1/questions/{slug}/data-package", "/v1/nothing", "/v1/me", "/docs"])
def test_head_is_get_without_the_body(sqlite_client, asked, caplog, path):
    path = path.format(slug=asked[1], id=asked[2])
    head, get = sqlite_client.head(path), sqlite_client.get(path)
    assert not [record for record in caplog.records if record.name == "manybatch.failures"]
    assert head.content == b""
    assert head.status_code == get.status_code
    own = {"x-request-id"} | ({"content-length"} if get.status_code >= 400 else set())
    assert [(name, value) for name, value in head.headers.items() if name not in own] == [
        (name, value) for name, value in get.headers.items() if name not in own
    ]


def test_links_come_from_public_url_and_never_from_host(sqlite, join):
    client = join(sqlite, public_url="https://cellar.example/tasting")
    village = Community(client)
    person = village.person()
    slug = village.asked(person)
    village.asked(person)
    evil = {"Host": "evil.example", "X-Forwarded-Host": "evil.example", "Forwarded": "host=evil.example"}
    headers = person.headers | evil
    listed = client.get("/v1/questions?limit=1", headers=headers)
    assert listed.json()["next"].startswith("https://cellar.example/tasting/v1/questions?limit=1&after=")
    assert listed.headers["link"] == f'<{listed.json()["next"]}>; rel="next"'
    made = client.post("/v1/replications", headers=headers, json=replication(slug))
    assert made.headers["location"] == f"https://cellar.example/tasting/v1/replications/{made.json()['id']}"
    shown = client.get(f"/v1/questions/{slug}", headers=headers)
    assert shown.json()["links"]["evidence"] == f"https://cellar.example/tasting/v1/questions/{slug}/evidence"
    evidence = client.get(f"/v1/questions/{slug}/evidence", headers=headers)
    assert f"https://cellar.example/tasting/v1/questions/{slug}/evidence?as_of=" in evidence.json()["cite_as"]
    refused = client.get("/v1/questions/nobody-asked", headers=headers)
    for answer in (listed, made, shown, evidence, refused):
        assert "evil.example" not in answer.text
        assert "evil.example" not in str(answer.headers)


@pytest.mark.parametrize("host", ["evil.example/a", "evil.example?", "evil.example#x", "a b", "", "evil.example:99999"])
def test_a_host_that_is_no_host_moves_no_link(sqlite_client, village, host):
    person = village.person()
    village.question(person)
    village.question(person)
    answer = sqlite_client.get("/v1/questions?limit=1", headers={"Host": host})
    assert answer.json()["next"].startswith("/v1/questions?limit=1&after=")


def test_without_public_url_links_are_paths(sqlite_client, asked):
    links = sqlite_client.get(f"/v1/questions/{asked[1]}").json()["links"]
    assert links["evidence"] == f"/v1/questions/{asked[1]}/evidence"


def test_a_cookie_signs_nobody_in(sqlite_client, village):
    person = village.person()
    for name in ("token", "session", "Authorization", "access_token"):
        answer = sqlite_client.get("/v1/me", headers={"Cookie": f"{name}={person.token}; Bearer={person.token}"})
        assert answer.status_code == 401
        assert "set-cookie" not in answer.headers


def test_no_answer_sets_a_cookie(sqlite_client, asked):
    person, slug, made = asked
    for path in ("/v1/me", "/v1/questions", f"/v1/questions/{slug}/evidence", f"/v1/replications/{made}", "/docs"):
        assert "set-cookie" not in sqlite_client.get(path, headers=person.headers).headers


class _Addresses(HTMLParser):
    """Collects whatever a page would fetch."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attributes):
        del tag
        self.found += [value for name, value in attributes if name in {"src", "href", "srcset", "action"}]


def test_the_documentation_asks_this_host_alone(sqlite_client):
    page = sqlite_client.get("/docs", headers={"Accept": "text/html"})
    parser = _Addresses()
    parser.feed(page.text)
    assert len(parser.found) == 3
    for address in parser.found:
        assert not urlsplit(address).netloc
        asset = sqlite_client.get(urljoin("/docs", address))
        assert asset.status_code == 200
        if address.endswith(".css"):
            assert asset.headers["content-type"].startswith("text/css")
            assert not re.search(r"url\(\s*(?!['\"]?data:)|@import", asset.text)
    start = sqlite_client.get("/docs/start.js").text
    assert "../openapi.json" in start
    assert "validatorUrl: null" in start
    assert "http" not in start
    # Whatever the bundle might try: the browser is told to load from here alone.
    policy = dict(part.strip().split(" ", 1) for part in page.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'self'"
    assert all(
        source in {"'self'", "'unsafe-inline'", "data:", "'none'"}
        for each in policy.values()
        for source in each.split()
    )
    assert sqlite_client.get("/docs/nothing.js").status_code == 404


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("application/json", 200),
        ("*/*", 200),
        ("application/*;q=0.5", 200),
        ("text/html, */*;q=0.1", 200),
        ("", 200),
        ("text/html", 406),
        ("application/json;q=0", 406),
        ("*/*;q=0", 406),
        ("text/csv", 406),
    ],
)
def test_accept_is_honoured(sqlite_client, accept, status):
    assert sqlite_client.get("/v1/version", headers={"Accept": accept}).status_code == status


@pytest.mark.parametrize(
    "path", ["/v1/questions", "/v1/version", "/health/live", "/openapi.json", "/docs", "/v1/calculators"]
)
def test_a_query_that_nothing_reads_is_refused_by_its_name_on_every_get(sqlite_client, path):
    answer = sqlite_client.get(f"{path}?colour=brown")
    assert answer.status_code == 422
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["query/colour"]


class _Named(dict):
    def __missing__(self, name):
        return "x"


def test_every_operation_refuses_a_query_that_it_does_not_name(sqlite_client, asked, subtests):
    person, slug, made = asked
    named = _Named(slug=slug, version=1, replication_id=made, position=1)
    text = sqlite_client.get("/openapi.json").json()
    for path, operations in text["paths"].items():
        for method, operation in operations.items():
            # A calculation that is posted takes everything from its body, and does not look at the query.
            if method == "post" and path.startswith("/v1/calculators/"):
                continue
            with subtests.test(operation["operationId"]):
                given = {"json": {}} if "requestBody" in operation else {}
                address = f"{path.format_map(named)}?colour=brown"
                answer = sqlite_client.request(method, address, headers=person.headers, **given)
                assert answer.status_code == 422
                assert "query/colour" in [fault["pointer"] for fault in answer.json()["errors"]]
