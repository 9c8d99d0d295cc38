"""Every way of saying no, each driven once through the doors: the answer is always the same kind of document."""

import html
import sqlite3
from dataclasses import dataclass
from uuid import UUID

import pytest

from service.api.problems import PROBLEMS
from service.record import contributors, erasure, idempotency
from service.record.database import Database
from service.record.errors import InFlight
from tests.api.community import Person, registration, replication

JSON = {"Content-Type": "application/json"}
NOBODY = {"Authorization": "Bearer nobody"}
CHALLENGE = {"www-authenticate": 'Bearer realm="manybatch"'}
READ_ONLY = {"allow": "GET, HEAD"}
READ_AND_PUT = {"allow": "GET, HEAD, PUT"}
ALL_THREE = {"allow": "GET, HEAD, POST"}


class Refusal:
    """A request that is refused: what it is, the kind of refusal, what is sent, and what the answer has."""

    def __init__(self, name, kind, request, *, pointer=None, answered=None, **given) -> None:
        self.name = name
        self.kind = kind
        self.method, self.path = request.split(" ", 1)
        self.pointer = pointer
        self.answered = answered or {}
        self.given = given


@dataclass(frozen=True, slots=True)
class Ready:
    """A record in which there is something to be refused; the replications by their paths."""

    owner: Person
    other: Person
    slug: str
    submitted: str
    registered: str
    erased: str


@pytest.fixture
def ready(community, database) -> Ready:
    owner, other, leaver = community.person(), community.person(), community.person()
    slug = community.asked(owner)
    made = Ready(
        owner,
        other,
        slug,
        submitted="/v1/replications/" + community.submitted(owner, replication(slug))["id"],
        registered="/v1/replications/" + community.submitted(owner, registration(slug))["id"],
        erased="/v1/replications/" + community.submitted(leaver, replication(slug))["id"],
    )
    with database.write() as session:
        erasure.erase(session, contributors.get(session, UUID(leaver.id)))
    return made


def refusals(r: Ready) -> list[Refusal]:
    """Everything that one request can be refused for."""
    owner, other = r.owner.headers, r.other.headers
    edit = owner | {"If-Match": '"r1"'}
    stale = owner | {"If-Match": '"r7"'}
    tagged_wrongly = owner | {"If-Match": '"abc"'}
    bad_key = {"Idempotency-Key": "a b"}
    amended = replication(r.slug, reason="a slip")
    another_plan = registration(r.slug, plan={"presentations": 13})
    no_json = {"Accept": "text/html, application/json;q=0"}
    latin = {"Content-Type": "application/json; charset=latin-1"}
    too_large = b" " * (1024**2 + 1)
    evidence = f"GET /v1/questions/{r.slug}/evidence"
    return [
        Refusal("a body cut off", "malformed-json", "POST /v1/contributors", content=b'{"', headers=JSON),
        Refusal("a cursor made by hand", "malformed-request", "GET /v1/questions?after=abc", pointer="query/after"),
        Refusal("no token", "not-signed-in", "GET /v1/me", answered=CHALLENGE),
        Refusal("an unknown token", "not-signed-in", "GET /v1/me", answered=CHALLENGE, headers=NOBODY),
        Refusal("no token, before a wrong body", "not-signed-in", "POST /v1/questions", json={"x": 1}),
        Refusal("no token, before a wrong key", "not-signed-in", f"POST {r.submitted}/submit", headers=bad_key),
        Refusal("no token, before a wrong query", "not-signed-in", "GET /v1/me/replications?limit=0"),
        Refusal("no token, before an unknown query", "not-signed-in", "GET /v1/me/replications?nope=1"),
        Refusal("someone else's", "not-yours", f"POST {r.submitted}/submit", headers=other),
        Refusal("an address that there never was", "not-found", "GET /v1/nothing/here"),
        Refusal("an address with a slash too many", "not-found", "GET /v1/questions/"),
        Refusal("a question that nobody asked", "not-found", "GET /v1/questions/nobody-asked"),
        Refusal("a slug that can't be one", "not-found", "GET /v1/questions/UPPER CASE"),
        Refusal("an id that can't be one", "not-found", "GET /v1/replications/1"),
        Refusal("a version that can't be one", "not-found", f"GET /v1/questions/{r.slug}/protocols/0"),
        Refusal("what was never submitted", "not-found", f"GET {r.registered}"),
        Refusal("a calculator that there isn't", "not-found", "GET /v1/calculators/gravity/nothing"),
        Refusal("a method that two routes lack", "method-not-allowed", "DELETE /v1/questions", answered=ALL_THREE),
        Refusal("a method that one route lacks", "method-not-allowed", "POST /v1/ledger", answered=READ_ONLY),
        Refusal("a method on a name", "method-not-allowed", f"PATCH {r.submitted}", answered=READ_AND_PUT),
        Refusal("a type that isn't served", "not-acceptable", "GET /v1/questions", headers=no_json),
        Refusal("a state that forbids it", "conflict", f"POST {r.submitted}/submit", headers=owner),
        Refusal("a plan that was stamped", "plan-is-fixed", f"PUT {r.registered}", headers=edit, json=another_plan),
        Refusal("what was erased", "gone", f"GET {r.erased}"),
        Refusal("a report on what was erased", "gone", f"GET {r.erased}/report"),
        Refusal("the history of what was erased", "gone", f"GET {r.erased}/revisions"),
        Refusal("a method version not shipped", "gone", f"{evidence}?method_version=0"),
        Refusal("a method version not shipped, studies", "gone", f"{evidence}/studies?method_version=0"),
        Refusal("an old revision", "stale-revision", f"PUT {r.submitted}", headers=stale, json=amended),
        Refusal("a tag of no revision", "stale-revision", f"PUT {r.submitted}", headers=tagged_wrongly, json=amended),
        Refusal("a body too large", "body-too-large", "POST /v1/contributors", content=too_large, headers=JSON),
        Refusal("a form", "not-json", "POST /v1/contributors", data={"display_name": "x"}),
        Refusal("another encoding", "not-json", "POST /v1/contributors", content=b"{}", headers=latin),
        Refusal("a body of no stated type", "not-json", "POST /v1/contributors", content=b"{}"),
        Refusal("an unknown field", "invalid-input", "POST /v1/contributors", json={"email": "x"}, pointer="/email"),
        Refusal("no body at all", "invalid-input", "POST /v1/contributors", headers=JSON, pointer=""),
        Refusal("an unknown query", "invalid-input", "GET /v1/questions?order=old", pointer="query/order"),
        Refusal("a limit out of bounds", "invalid-input", "GET /v1/questions?limit=201", pointer="query/limit"),
        Refusal(
            "a header out of form",
            "invalid-input",
            "POST /v1/questions",
            headers=owner | bad_key,
            json={},
            pointer="header/Idempotency-Key",
        ),
        Refusal("a state still to come", "invalid-input", f"{evidence}?as_of=999", pointer="query/as_of"),
        Refusal("no revision named", "if-match-needed", f"PUT {r.submitted}", headers=owner, json=amended),
    ]


def assert_problem(answer, kind):
    """Hold an answer to what every problem document is."""
    row = PROBLEMS[kind]
    assert answer.status_code == row.status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["cache-control"] == "private, no-store"
    body = answer.json()
    assert (body["type"], body["title"], body["status"]) == (f"/problems/{kind}", row.title, row.status)
    assert body["detail"]
    assert body["instance"] == f"urn:uuid:{answer.headers['x-request-id']}"
    assert set(body) <= {"type", "title", "status", "detail", "instance", "errors"}
    assert "Traceback" not in answer.text
    return body


def test_a_refusal_is_a_problem_document_and_nothing_is_kept(client, ready, subtests):
    size = client.get("/v1/ledger/head").json()["size"]
    for refusal in refusals(ready):
        with subtests.test(refusal.name):
            answer = client.request(refusal.method, refusal.path, **refusal.given)
            body = assert_problem(answer, refusal.kind)
            assert refusal.answered.items() <= dict(answer.headers).items()
            if refusal.pointer is not None:
                assert refusal.pointer in {fault["pointer"] for fault in body["errors"]}
                assert all(fault["detail"] for fault in body["errors"])
    assert client.get("/v1/ledger/head").json()["size"] == size


# Below, each on its own: what takes more than one request to be refused.
BELOW = {"internal-error", "unavailable", "idempotency-key-reused", "request-in-flight"}
# In test_sealed_trials.py, test_limits.py and test_hostile_requests.py.
ELSEWHERE = {"trial-open", "trial-ended", "out-of-turn", "answer-is-final", "code-not-served", "no-sealing-key"}
ELSEWHERE |= {"too-many-requests", "body-too-slow"}


def test_every_type_of_problem_is_driven():
    nobody = Person("", "")
    driven = {refusal.kind for refusal in refusals(Ready(nobody, nobody, "", "/", "/", "/"))}
    assert driven | BELOW | ELSEWHERE == set(PROBLEMS)


def test_a_fault_of_ours_is_a_problem_document_without_a_trace(sqlite_client, monkeypatch, caplog):
    def broken(*_):
        raise ZeroDivisionError("the secret of the cellar")

    monkeypatch.setattr("service.api.ledger.ledger.head", broken)
    answer = sqlite_client.get("/v1/ledger/head")
    assert_problem(answer, "internal-error")
    assert "cellar" not in answer.text
    assert "ZeroDivisionError" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    (failure,) = [record for record in caplog.records if record.name == "manybatch.failures"]
    assert failure.exc_info[0] is ZeroDivisionError


def test_a_fault_of_ours_outside_the_framework_is_one_too(sqlite_client, monkeypatch):
    async def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(sqlite_client.app, "app", broken)
    assert_problem(sqlite_client.get("/v1/ledger/head"), "internal-error")


def test_a_key_used_for_another_body(client, community):
    person = community.person()
    slug = community.asked(person)
    headers = person.headers | {"Idempotency-Key": "k"}
    assert client.post("/v1/replications", headers=headers, json=replication(slug)).status_code == 201
    reused = client.post("/v1/replications", headers=headers, json=replication(slug, (1, 12)))
    assert_problem(reused, "idempotency-key-reused")


def test_a_twin_still_in_flight(sqlite_client, village, monkeypatch):
    person = village.person()
    slug = village.asked(person)

    def waited(*_, **__):
        raise InFlight("The same request is still being answered: repeat it in a moment.")

    monkeypatch.setattr(idempotency, "claim", waited)
    answer = sqlite_client.post(
        "/v1/replications", headers=person.headers | {"Idempotency-Key": "k"}, json=replication(slug)
    )
    assert_problem(answer, "request-in-flight")


def test_a_record_that_somebody_holds_locked(sqlite_url, join, monkeypatch):
    monkeypatch.setattr("service.record.database._SQLITE_BUSY_MS", 50)
    database = Database(sqlite_url)
    client = join(database)
    made = client.post("/v1/contributors", json={"display_name": "Cellar mouse"}).json()
    holder = sqlite3.connect(database.url.database, isolation_level=None)
    try:
        holder.execute("BEGIN IMMEDIATE")
        answer = client.post("/v1/contributors", json={"display_name": "Cellar rat"})
        assert_problem(answer, "unavailable")
        assert answer.headers["retry-after"].isdigit()
        # Reading goes on while somebody else writes.
        me = client.get("/v1/me", headers={"Authorization": f"Bearer {made['token']}"})
        assert me.status_code == client.get("/health/ready").status_code == 200
    finally:
        holder.close()
    assert client.post("/v1/contributors", json={"display_name": "Cellar rat"}).status_code == 201
    database.dispose()


@pytest.mark.parametrize("path", ["/health/ready", "/v1/questions", "/v1/version", "/v1/ledger/head"])
def test_a_record_that_is_gone(tmp_path, join, path):
    database = Database(f"sqlite:///{tmp_path / 'no such folder' / 'record.db'}")
    client = join(database)
    answer = client.get(path)
    assert_problem(answer, "unavailable")
    assert answer.headers["retry-after"].isdigit()
    assert client.get("/health/live").status_code == 200
    database.dispose()


@pytest.mark.postgres
def test_a_database_server_that_is_gone(join):
    database = Database("postgresql://nobody@127.0.0.1:9/nothing")
    client = join(database)
    for answer in (client.get("/health/ready"), client.post("/v1/contributors", json={"display_name": "x"})):
        assert_problem(answer, "unavailable")
        assert answer.headers["retry-after"].isdigit()
    database.dispose()


def test_a_record_without_its_tables_is_not_ready(tmp_path, join):
    database = Database(f"sqlite:///{tmp_path / 'empty.db'}")
    answer = join(database).get("/health/ready")
    assert_problem(answer, "unavailable")
    assert answer.headers["retry-after"].isdigit()
    database.dispose()


@pytest.mark.parametrize("kind", PROBLEMS)
def test_every_type_of_problem_explains_itself(sqlite_client, kind):
    page = sqlite_client.get(f"/problems/{kind}", headers={"Accept": "text/html"})
    assert page.status_code == 200
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    text = html.unescape(page.text)
    assert PROBLEMS[kind].title in text
    assert PROBLEMS[kind].explanation.replace("`", "") in text
    assert str(PROBLEMS[kind].status) in text


def test_a_type_of_problem_that_there_isnt(sqlite_client):
    assert_problem(sqlite_client.get("/problems/nothing"), "not-found")


@pytest.mark.parametrize("given", ["batch-7", "0123456789-0123456789-0123456789-012"])
def test_an_id_of_the_callers_own_is_named_as_the_instance(sqlite_client, given):
    body = sqlite_client.get("/v1/nothing", headers={"X-Request-ID": given}).json()
    assert body["instance"] == f"urn:request:{given}"


ADDRESSES = {
    "/v1/replications": ["GET", "HEAD", "POST"],
    "/v1/replications/check": ["POST"],
    "/v1/replications/00000000-0000-7000-8000-000000000000": ["GET", "HEAD", "PUT"],
    "/v1/me": ["DELETE", "GET", "HEAD"],
    "/v1/questions/anything/evidence": ["GET", "HEAD"],
    "/health/live": ["GET", "HEAD"],
}


@pytest.mark.parametrize("path", ADDRESSES)
def test_a_method_that_an_address_does_not_take_is_refused_with_those_that_it_takes(sqlite_client, path):
    for method in {"GET", "POST", "PUT", "PATCH", "DELETE"} - set(ADDRESSES[path]):
        answer = sqlite_client.request(method, path)
        assert answer.status_code == 405, method
        assert sorted(answer.headers["allow"].split(", ")) == ADDRESSES[path]
        assert answer.json()["type"] == "/problems/method-not-allowed"


@pytest.mark.parametrize("name", ["nonsense", "CHECK", "../check", "%00", "1" * 5000])
def test_what_is_no_identifier_names_no_replication(sqlite_client, name):
    assert sqlite_client.get(f"/v1/replications/{name}").status_code == 404
