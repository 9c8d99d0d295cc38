"""Who may do what on the pages: every address that isn't in the interface text, for each role, each cell stated.

Whoever is at a browser is known by its cookie; a helper and a taster by the cookie of their link's own page. A form
that writes carries a mark: without it, or with somebody else's, it is refused whoever sends it.
"""

import json
import uuid
from dataclasses import dataclass
from typing import Any

import pytest

from service.pages import secret_links
from service.pages.assets import asset_path
from service.pages.sessions import mark_of
from tests.api.community import replication
from tests.api.test_access_matrix import ANYBODY, NOBODY, OPENING, ROLES, Row, World, doors, new_steward

__all__ = ["doors", "new_steward"]

BROWSER = {"Accept": "text/html,*/*;q=0.8"}


@dataclass(frozen=True, slots=True)
class PageRow(Row):
    """One address of the pages; `unmarked` is what a form without a valid mark is answered, where it carries one."""

    unmarked: int | None = None


DOOR = (303, 303, 303, 303)
ASKED = {
    "question.title": "Does a colder room change a mead?",
    "question.factor": "the room",
    "question.stage": "ferment",
    "question.arms.0.label": "Warm room",
    "question.arms.1.label": "Cold room",
    "protocol.summary": "Part one must, and keep each half in its room.",
    "protocol.outcomes.0.outcome": "final_sg",
}

ROWS = [
    PageRow("GET", "/", *ANYBODY),
    PageRow("GET", "/questions/{slug}", *ANYBODY),
    PageRow("GET", "/questions/{slug}/replications", *ANYBODY),
    PageRow("GET", "/replications/{replication_id}", *ANYBODY),
    PageRow("GET", "/replications/{replication_id}", *NOBODY, state="registered"),
    PageRow("GET", "/calculators", *ANYBODY),
    PageRow("GET", "/calculators/{family}", *ANYBODY),
    PageRow("GET", "/guides", *ANYBODY),
    PageRow("GET", "/guides/{name}", *ANYBODY),
    PageRow("GET", "/method", *ANYBODY),
    PageRow("GET", "/problems/{problem}", *ANYBODY),
    PageRow("GET", "/static/{asset}", *ANYBODY),
    PageRow("GET", "/docs", *ANYBODY),
    PageRow("GET", "/docs/{docs_asset}", *ANYBODY),
    PageRow("GET", "/openapi.json", *ANYBODY),
    # From loopback, where the tests call from; elsewhere by its own token: test_metrics.py.
    PageRow("GET", "/metrics", *ANYBODY),
    PageRow("GET", "/take-part", *ANYBODY),
    PageRow("POST", "/take-part/sign-in", 422, 303, 303, 303, "token"),
    PageRow("POST", "/take-part/sign-out", 401, 303, 303, 303, "nothing", unmarked=403),
    PageRow("POST", "/take-part/begin", *ANYBODY, body="name"),
    PageRow("GET", "/questions/{slug}/take-part", *ANYBODY),
    PageRow("POST", "/questions/{slug}/take-part", *ANYBODY, body="plan"),
    PageRow("GET", "/questions/{slug}/impression", *ANYBODY),
    PageRow("POST", "/questions/{slug}/impression", 401, 303, 303, 303, "impression", unmarked=403),
    PageRow("GET", "/take-part/ask", *ANYBODY),
    PageRow("POST", "/take-part/ask", 401, 303, 303, 303, "question", unmarked=403),
    PageRow("GET", "/take-part/account", 401, 200, 200, 200),
    PageRow("POST", "/take-part/account/join-code", 401, 200, 200, 200, "nothing", unmarked=403),
    PageRow("POST", "/take-part/account/join", 401, 422, 422, 422, "code", unmarked=403),
    PageRow("POST", "/take-part/account/token", 401, 200, 200, 200, "nothing", unmarked=403),
    PageRow("POST", "/take-part/account/erase", 401, 303, 303, 303, "sure", unmarked=403),
    PageRow("GET", "/take-part/document", *ANYBODY),
    PageRow("POST", "/take-part/document", *ANYBODY, body="document"),
    PageRow("POST", "/take-part/confirm", 401, 303, 303, 303, "confirmed", unmarked=403),
    PageRow("POST", "/take-part/confirm", 401, 404, 303, 404, "results", "registered", unmarked=403),
    PageRow("POST", "/take-part/confirm", 401, 403, 303, 403, "amended", unmarked=403),
    PageRow("GET", "/take-part/replications/{replication_id}", 401, 403, 200, 403),
    PageRow("GET", "/take-part/replications/{replication_id}", 401, 404, 200, 404, state="registered"),
    PageRow("POST", "/take-part/replications/{replication_id}", 401, 403, 422, 403, "plan", unmarked=403),
    PageRow("POST", "/take-part/replications/{replication_id}", 401, 404, 200, 404, "plan", "registered", unmarked=403),
    PageRow("GET", "/take-part/replications/{replication_id}/document", 401, 403, 200, 403),
    PageRow("GET", "/take-part/replications/{replication_id}/document", 401, 404, 200, 404, state="registered"),
    PageRow("POST", "/take-part/replications/{replication_id}/document", 401, 403, 200, 403, "amended", unmarked=403),
    PageRow(
        *("POST", "/take-part/replications/{replication_id}/document", 401, 404, 200, 404, "results", "registered"),
        unmarked=403,
    ),
    PageRow("GET", "/take-part/replications/{replication_id}/withdraw", 401, 403, 200, 403),
    PageRow("GET", "/take-part/replications/{replication_id}/withdraw", 401, 404, 200, 404, state="registered"),
    PageRow("POST", "/take-part/replications/{replication_id}/withdraw", 401, 403, 303, 403, "reason", unmarked=403),
    PageRow(
        *("POST", "/take-part/replications/{replication_id}/withdraw", 401, 404, 303, 404, "reason", "registered"),
        unmarked=403,
    ),
    PageRow("GET", "/take-part/replications/{replication_id}/trials", 401, 403, 200, 403),
    PageRow("GET", "/take-part/replications/{replication_id}/trials", 401, 404, 200, 404, state="registered"),
    PageRow("POST", "/take-part/replications/{replication_id}/trials", 401, 403, 409, 403, "opening", unmarked=403),
    PageRow(
        *("POST", "/take-part/replications/{replication_id}/trials", 401, 404, 200, 404, "opening", "registered"),
        unmarked=403,
    ),
    PageRow(
        *("POST", "/take-part/replications/{replication_id}/trials/{trial_id}/close", 401, 404, 303, 404),
        *("nothing", "trial"),
        unmarked=403,
    ),
    # The door looks nothing up; what it leads to is for whoever was given the link.
    PageRow("GET", "/taste/{secret}", *ANYBODY, state="trial"),
    PageRow("POST", "/taste/{secret}", *NOBODY, state="trial", body="nothing", taster=303),
    PageRow("GET", "/taste/at/{taste_mark}", *NOBODY, state="trial", taster=200),
    PageRow("POST", "/taste/at/{taste_mark}", *NOBODY, "ticked", "trial", taster=303, unmarked=403),
    PageRow("GET", "/pour/{secret}", *ANYBODY, state="trial"),
    PageRow("POST", "/pour/{secret}", *NOBODY, state="trial", body="nothing", helper=303),
    PageRow("GET", "/pour/at/{pour_mark}", *NOBODY, state="trial", helper=200),
    PageRow("POST", "/pour/at/{pour_mark}", *NOBODY, "nothing", "trial", helper=303, unmarked=403),
]
_NAMES = {"problem": "slug", "taste_mark": "mark", "pour_mark": "mark", "asset": "mark}/{name", "docs_asset": "asset"}


class Browser(World):
    """Somebody at a browser, on things made anew for one cell."""

    def address(self, role: str) -> str:
        secrets = {door: self.secret_of(who) for door, who in (("taste", "taster"), ("pour", "helper"))}
        return self.row.path.format(
            slug=self.slug,
            replication_id=self.replication,
            trial_id=self.trial.get("id", uuid.uuid4()),
            secret=self.secret_of(role),
            family="gravity",
            name="submitting",
            problem="not-found",
            asset=asset_path("pages.css").removeprefix("/static/"),
            docs_asset="swagger-ui.css",
            taste_mark=secret_links.home_of("taste", secrets["taste"]).rsplit("/", 1)[1],
            pour_mark=secret_links.home_of("pour", secrets["pour"]).rsplit("/", 1)[1],
        )

    def headers(self, role: str) -> dict[str, str]:
        """What a role's browser sends: their token in its cookie, or the secret of their link."""
        if role in {"helper", "taster"}:
            secret = self.secret_of(role)
            return BROWSER | {"Cookie": f"manybatch-link={secret}; manybatch={secret}"}
        who = self.people[role]
        return BROWSER | ({"Cookie": f"manybatch={who.token}"} if who else {})

    def mark(self, role: str) -> str:
        if role in {"helper", "taster"}:
            return secret_links.mark_of(self.secret_of(role))
        who = self.people[role]
        return mark_of(who.token if who else "nobody's")

    def form(self, role: str) -> dict[str, Any]:
        who = self.people.get(role)
        made = {
            "nothing": lambda: {"other": "1"},
            "token": lambda: {"token": who.token if who else "nobody's"},
            "name": lambda: {"display_name": "Cellar mouse"},
            "plan": lambda: {"act": "register", "revision": "1"},
            "document": lambda: {"document": json.dumps(replication(self.slug, (5, 12)))},
            "confirmed": lambda: self._looked_at("submit", about=""),
            "results": lambda: self._looked_at("report"),
            "amended": lambda: self._looked_at("amend", reason="a jar was read again"),
            "reason": lambda: {"category": "mixed_up", "reason": "the jars were swapped"},
            "question": lambda: {**ASKED, "key": str(uuid.uuid4())},
            "impression": lambda: {"leans": "neither", "key": str(uuid.uuid4())},
            "code": lambda: {"join_code": "nobodys-own-join-code"},
            "sure": lambda: {"sure": "yes"},
            "opening": lambda: {**OPENING, "presentations": "3", "tasters": "p1", "days": "1"},
            "ticked": lambda: {"presentation": "1", "chosen": self._code()},
        }
        return made[self.row.body]()

    def _looked_at(self, intent: str, **changes: str) -> dict[str, str]:
        """What the review of a document sends on."""
        document, key = json.dumps(replication(self.slug, (5, 12))), str(uuid.uuid4())
        looked_at = {"document": document, "key": key, "intent": intent, "about": self.replication, "revision": "1"}
        return looked_at | changes

    def ask_page(self, role: str, mark: str | None) -> int:
        headers, address = self.headers(role), self.address(role)
        if self.row.method == "GET":
            return self.client.get(address, headers=headers).status_code
        fields = self.form(role) | ({} if mark is None else {"mark": mark})
        return self.client.post(address, data=fields, headers=headers).status_code


def test_every_address_outside_the_interface_text_has_its_row(doors):
    listed = {
        (method.upper(), path) for path, each in doors.get("/openapi.json").json()["paths"].items() for method in each
    }
    routes = doors.app.app.router.routes
    served = {
        (method, getattr(route, "path_format", route.path))
        for route in routes
        if hasattr(route, "path")
        for method in route.methods - {"HEAD"}
    }
    named = [row.path for row in ROWS]
    for name, own in _NAMES.items():
        named = [path.replace(f"{{{name}}}", f"{{{own}}}") for path in named]
    assert served - listed == {(row.method, path) for row, path in zip(ROWS, named, strict=True)}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.method} {row.path} ({row.state})")
def test_each_page_answers_each_caller_as_stated(doors, new_steward, subtests, row):
    for role in ROLES:
        with subtests.test(role):
            world = Browser(doors, new_steward(), row)
            assert world.ask_page(role, world.mark(role)) == row.expected(role)


@pytest.mark.parametrize("row", [row for row in ROWS if row.unmarked], ids=lambda row: f"{row.path} ({row.state})")
def test_a_form_without_its_own_mark_is_refused_whoever_sends_it(doors, new_steward, subtests, row):
    for role in ROLES:
        if row.expected(role) not in {200, 303, 409, 422}:
            continue
        for what in ("none", "empty", "another's", "cut short"):
            with subtests.test(f"{role}, {what}"):
                world = Browser(doors, new_steward(), row)
                other = "stranger" if role in {"helper", "taster"} else "other" if role != "other" else "owner"
                marks = {"none": None, "empty": "", "another's": world.mark(other), "cut short": world.mark(role)[:-1]}
                size = doors.get("/v1/ledger/head").json()["size"]
                assert world.ask_page(role, marks[what]) == row.unmarked
                assert doors.get("/v1/ledger/head").json()["size"] == size


def test_every_form_that_writes_carries_a_mark(doors, new_steward, subtests):
    """A form without one changes nothing but who is at this browser, or is about to be."""
    for row in ROWS:
        if row.method != "POST" or row.unmarked or row.path == "/take-part/begin":
            continue
        with subtests.test(row.path):
            world = Browser(doors, new_steward(), row)
            size = doors.get("/v1/ledger/head").json()["size"]
            for role in ("stranger", "owner", "steward"):
                world.ask_page(role, None)
            assert doors.get("/v1/ledger/head").json()["size"] == size


def test_a_cookie_of_nobody_is_no_cookie(doors, new_steward, subtests):
    for row in ROWS:
        if row.stranger == 401:
            world = Browser(doors, new_steward(), row)
            for cookie in ("manybatch=nobody", "manybatch=", f"manybatch={'x' * 5000}", "manybatch=\xe9", "other=1"):
                with subtests.test(f"{row.path}, {cookie[:20]}"):
                    headers = BROWSER | {"Cookie": cookie.encode("latin-1")}
                    fields = None if row.method == "GET" else world.form("stranger") | {"mark": mark_of("nobody")}
                    answer = doors.request(row.method, world.address("owner"), headers=headers, data=fields)
                    assert answer.status_code == 401
