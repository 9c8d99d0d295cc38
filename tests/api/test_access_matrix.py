"""Who may do what: every route for a stranger, another contributor, the owner, a steward, a helper and a taster.

The owner is whose question, replication, trial or account the address names. 401: who are you? 403: not yours. 404:
nothing that you may know of. A steward is no owner: they decide what stewards decide, and see no more than others. A
helper and a taster hold a link and no account: what their secret opens is stated, and everywhere else they are
strangers, even where they send it as a token. The pages have a matrix of their own: `test_access_matrix_of_pages.py`.
"""

import uuid
from dataclasses import dataclass
from typing import Any

import pytest
from pydantic import SecretStr

from service.api.security import hashed, new_secret
from service.record import contributors
from tests.api.community import PROTOCOL, QUESTION, Community, Person, registration, replication
from tests.api.kitchen import PROTOCOL_TRIAL

REASON = {"category": "mixed_up", "reason": "the buckets were swapped"}
OPENING = {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 3, "tasters": ["p1"]}


@dataclass(frozen=True, slots=True)
class Row:
    """One route on things in one state, and what it answers to each."""

    method: str
    path: str
    stranger: int
    other: int
    owner: int
    steward: int
    body: str = ""
    state: str = "submitted"
    helper: int | None = None
    taster: int | None = None
    """None: as a stranger."""

    def expected(self, role: str) -> int:
        stated = getattr(self, role)
        return self.stranger if stated is None else stated


ANYBODY = (200, 200, 200, 200)
WHOEVER_SAYS_WHO = (401, 200, 200, 200)
STEWARDS_ALONE = (401, 403, 403, 200)
NOBODY = (404, 404, 404, 404)
ROLES = ("stranger", "other", "owner", "steward", "helper", "taster")

ROWS = [
    Row("POST", "/v1/contributors", 201, 201, 201, 201, "contributor"),
    Row("GET", "/v1/me", *WHOEVER_SAYS_WHO),
    Row("DELETE", "/v1/me", 401, 204, 204, 204),
    Row("POST", "/v1/me/token", *WHOEVER_SAYS_WHO),
    Row("DELETE", "/v1/me/token", 401, 204, 204, 204),
    Row("POST", "/v1/me/household", *WHOEVER_SAYS_WHO, body="empty"),
    Row("GET", "/v1/me/replications", *WHOEVER_SAYS_WHO),
    Row("POST", "/v1/contributors/{contributor_id}/vouch", *STEWARDS_ALONE),
    Row("POST", "/v1/questions", 401, 201, 201, 201, "question"),
    Row("GET", "/v1/questions", *ANYBODY),
    Row("GET", "/v1/questions/{slug}", *ANYBODY),
    Row("POST", "/v1/questions/{slug}/protocols", 401, 403, 201, 201, "protocol"),
    Row("GET", "/v1/questions/{slug}/protocols", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/protocols/{version}", *ANYBODY),
    Row("POST", "/v1/questions/{slug}/reports", 401, 201, 201, 201, "impression"),
    Row("POST", "/v1/questions/{slug}/merge", *STEWARDS_ALONE, body="merge"),
    Row("GET", "/v1/questions/{slug}/evidence", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/evidence/studies", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/evidence/forest.svg", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/evidence/forest.png", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/evidence/path.svg", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/evidence/path.png", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/data-package", *ANYBODY),
    Row("GET", "/v1/questions/{slug}/feed", *ANYBODY),
    Row("POST", "/v1/replications", 401, 201, 201, 201, "replication"),
    Row("POST", "/v1/replications/check", *ANYBODY, body="replication"),
    Row("GET", "/v1/replications", *ANYBODY),
    Row("GET", "/v1/replications/{replication_id}", *ANYBODY),
    Row("GET", "/v1/replications/{replication_id}", 404, 404, 404, 404, state="registered"),
    Row("GET", "/v1/replications/{replication_id}/report", *ANYBODY),
    Row("GET", "/v1/replications/{replication_id}/report", 404, 404, 404, 404, state="registered"),
    Row("GET", "/v1/replications/{replication_id}/revisions", *ANYBODY),
    Row("GET", "/v1/replications/{replication_id}/revisions", 404, 404, 404, 404, state="registered"),
    Row("GET", "/v1/replications/{replication_id}/curves.svg", *ANYBODY),
    Row("GET", "/v1/replications/{replication_id}/curves.svg", 404, 404, 404, 404, state="registered"),
    Row("GET", "/v1/replications/{replication_id}/curves.png", *ANYBODY),
    Row("GET", "/v1/replications/{replication_id}/curves.png", 404, 404, 404, 404, state="registered"),
    Row("PUT", "/v1/replications/{replication_id}", 401, 403, 200, 403, "amendment"),
    Row("PUT", "/v1/replications/{replication_id}", 401, 404, 200, 404, "revision", "registered"),
    Row("POST", "/v1/replications/{replication_id}/submit", 401, 403, 409, 403),
    Row("POST", "/v1/replications/{replication_id}/submit", 401, 404, 200, 404, state="registered"),
    Row("POST", "/v1/replications/{replication_id}/withdraw", 401, 403, 200, 403, "reason"),
    Row("POST", "/v1/replications/{replication_id}/withdraw", 401, 404, 200, 404, "reason", "registered"),
    Row("POST", "/v1/replications/{replication_id}/retract", *STEWARDS_ALONE, body="reason"),
    Row("POST", "/v1/replications/{replication_id}/retract", *STEWARDS_ALONE, body="reason", state="registered"),
    Row("POST", "/v1/replications/{replication_id}/trials", 401, 403, 409, 403, "opening"),
    Row("POST", "/v1/replications/{replication_id}/trials", 401, 404, 201, 404, "opening", "registered"),
    Row("GET", "/v1/trials/{trial_id}", *ANYBODY, state="trial"),
    Row("POST", "/v1/trials/{trial_id}/close", 401, 404, 200, 404, state="trial"),
    # A link opens what it was given for to whoever holds it, and nothing else; to know of the trial opens nothing.
    Row("GET", "/v1/pour/{secret}", *NOBODY, state="trial", helper=200),
    Row("POST", "/v1/pour/{secret}/close", *NOBODY, state="trial", helper=200),
    Row("GET", "/v1/taste/{secret}", *NOBODY, state="trial", taster=200),
    Row("POST", "/v1/taste/{secret}/answers", *NOBODY, body="answer", state="trial", taster=200),
    Row("GET", "/v1/ledger", *ANYBODY),
    Row("GET", "/v1/ledger/head", *ANYBODY),
    Row("GET", "/v1/ledger/consistency", *ANYBODY),
    Row("GET", "/v1/ledger/{position}/proof", *ANYBODY),
    Row("GET", "/v1/calculators", *ANYBODY),
    Row("GET", "/v1/version", *ANYBODY),
    Row("GET", "/health/live", *ANYBODY),
    Row("GET", "/health/ready", *ANYBODY),
]
_CALCULATOR = "/v1/calculators/"


class World:
    """Things made anew for one cell."""

    def __init__(self, client, steward: Person, row: Row) -> None:
        self.client, self.row = client, row
        self.community = Community(client)
        self.people = {
            "stranger": None,
            "other": self.community.person(),
            "owner": self.community.person(),
            "steward": steward,
        }
        owner = self.people["owner"]
        self.slug = self.community.asked(owner, trial=PROTOCOL_TRIAL)
        make = replication if row.state == "submitted" else registration
        self.replication = self.community.submitted(owner, make(self.slug))["id"]
        self.trial = self._sent(f"/v1/replications/{self.replication}/trials", OPENING) if row.state == "trial" else {}

    def _sent(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = self.client.post(path, json=body, headers=self.people["owner"].headers)
        assert answer.status_code == 201, answer.text
        return answer.json()

    @property
    def path(self) -> str:
        return self.path_for("stranger")

    def secret_of(self, role: str) -> str:
        """What a role was given; who was given nothing makes one up, out of what they know of the trial."""
        if not self.trial:
            return "nobody-was-given-this"
        links = {"helper": self.trial["helper_link"], "taster": self.trial["tasters"][0]["taster_link"]}
        return links.get(role, f"/{self.trial['id']}").rsplit("/", 1)[1]

    def path_for(self, role: str) -> str:
        path = self.row.path.format(
            slug=self.slug,
            version=1,
            replication_id=self.replication,
            contributor_id=self.people["owner"].id,
            trial_id=self.trial.get("id", uuid.uuid4()),
            secret=self.secret_of(role),
            position=1,
        )
        return f"{path}?from=1" if path.endswith("/consistency") else path

    def body(self) -> dict[str, Any] | None:
        made = {
            "empty": dict,
            "contributor": lambda: {"display_name": "Cellar mouse"},
            "question": lambda: {**QUESTION, "slug": f"asked-{uuid.uuid4()}"},
            "protocol": lambda: PROTOCOL,
            "impression": lambda: {"leans": "neither", "text": ""},
            "merge": lambda: {"into": self.community.asked(self.people["owner"]), "reason": "the same"},
            "replication": lambda: replication(self.slug, (5, 12)),
            "amendment": lambda: {**replication(self.slug, (6, 12)), "reason": "mistyped"},
            "revision": lambda: registration(self.slug, notes="more"),
            "reason": lambda: REASON,
            "opening": lambda: OPENING,
            "answer": lambda: {"presentation": 1, "chosen_codes": [self._code()]},
        }.get(self.row.body)
        return made() if made else None

    def _code(self) -> str:
        turn = self.client.get(f"/v1/taste/{self.secret_of('taster')}").json()
        return turn.get("codes", ["123"])[0]

    def headers_of(self, role: str) -> dict[str, str]:
        if role in {"helper", "taster"} and "{secret}" not in self.row.path:
            return {"Authorization": f"Bearer {self.secret_of(role)}"}
        who = self.people.get(role)
        return dict(who.headers) if who else {}

    def ask(self, role: str) -> int:
        headers = self.headers_of(role)
        if self.row.method == "PUT":
            headers["If-Match"] = '"r1"'
        path, body = self.path_for(role), self.body()
        return self.client.request(self.row.method, path, headers=headers, json=body).status_code


@pytest.fixture
def doors(sqlite, join):
    return join(sqlite, sealing_key=SecretStr("a secret that is long enough for a test"))


@pytest.fixture
def new_steward(sqlite):
    def make():
        token = new_secret()
        with sqlite.write() as session:
            made = contributors.create(session, display_name="Steward", token_hash=hashed(token), steward=True)
        return Person(str(made.id), token)

    return make


def test_every_route_has_its_row(doors):
    served = {
        (method.upper(), path)
        for path, operations in doors.get("/openapi.json").json()["paths"].items()
        for method in operations
        if not path.startswith(_CALCULATOR)
    }
    assert served == {(row.method, row.path) for row in ROWS}


def test_each_route_answers_each_caller_as_stated(doors, new_steward, subtests):
    for row in ROWS:
        for role in ROLES:
            with subtests.test(f"{row.method} {row.path} ({row.state}), {role}"):
                assert World(doors, new_steward(), row).ask(role) == row.expected(role)


def test_a_link_opens_to_whoever_holds_it(doors, new_steward, subtests):
    for row in ROWS:
        holder = "helper" if "/pour/" in row.path else "taster"
        for role in ROLES if "{secret}" in row.path else ():
            with subtests.test(f"{row.method} {row.path}, {role}"):
                world = World(doors, new_steward(), row)
                path, headers = world.path_for(holder), world.headers_of(role)
                answer = doors.request(row.method, path, headers=headers, json=world.body())
                assert answer.status_code == row.expected(holder) == 200


def test_calculators_ask_nobody_who_they_are(doors, new_steward, subtests):
    for calculator in doors.get("/v1/calculators").json()["items"]:
        for headers in ({}, new_steward().headers, {"Authorization": "Bearer nobody's"}):
            with subtests.test(f"{calculator['name']}, {headers}"):
                path = f"{_CALCULATOR}{calculator['name']}"
                assert doors.post(path, json=calculator["example"], headers=headers).status_code == 200


def test_a_token_that_is_nobodys_is_no_token(doors, new_steward, subtests):
    for row in ROWS:
        if row.stranger == 401:
            world = World(doors, new_steward(), row)
            for value in ("Bearer nobody", "Bearer ", "Basic dXNlcjpwYXNz", "bearer"):
                with subtests.test(f"{row.method} {row.path}, {value}"):
                    answer = doors.request(row.method, world.path, headers={"Authorization": value}, json=world.body())
                    assert answer.status_code == 401
                    assert answer.headers["www-authenticate"].startswith("Bearer")
