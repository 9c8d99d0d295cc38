"""What each thing that is read may be kept for, and by whom: every GET route there is, as a table."""

import pytest
from pydantic import SecretStr

from tests.api.community import replication
from tests.api.kitchen import Kitchen

MOMENT = "public, max-age=0, s-maxage=5, stale-while-revalidate=30, stale-if-error=300"
ASK = "public, max-age=0, must-revalidate"
EVER = "public, max-age=31536000, immutable"
HOUR = "public, max-age=3600"
MINUTES = "public, max-age=300"
NEVER = "private, no-store"
NOW = "no-store"

PINNED = "?as_of={size}&method_version={method}"
# Route template, what is asked of it, how long the answer may be kept.
TABLE = [
    ("/v1/calculators", "", HOUR),
    ("/v1/me", "", NEVER),
    ("/v1/me/replications", "", NEVER),
    ("/v1/questions", "", MOMENT),
    ("/v1/questions/{slug}", "", MOMENT),
    ("/v1/questions/{slug}/protocols", "", MOMENT),
    ("/v1/questions/{slug}/protocols/{version}", "", EVER),
    ("/v1/questions/{slug}/evidence", "", MOMENT),
    ("/v1/questions/{slug}/evidence", "?as_of={size}", MOMENT),
    ("/v1/questions/{slug}/evidence", PINNED, EVER),
    ("/v1/questions/{slug}/evidence/studies", "", MOMENT),
    ("/v1/questions/{slug}/evidence/studies", PINNED, EVER),
    ("/v1/questions/{slug}/evidence/forest.svg", "", MOMENT),
    ("/v1/questions/{slug}/evidence/forest.svg", PINNED, EVER),
    ("/v1/questions/{slug}/evidence/forest.png", "", MOMENT),
    ("/v1/questions/{slug}/evidence/path.svg", "", MOMENT),
    ("/v1/questions/{slug}/evidence/path.png", PINNED, EVER),
    ("/v1/questions/{slug}/data-package", "", MOMENT),
    ("/v1/questions/{slug}/feed", "", MOMENT),
    ("/v1/replications", "", MOMENT),
    ("/v1/replications/{replication_id}", "", MOMENT),
    ("/v1/replications/{replication_id}/report", "", MOMENT),
    ("/v1/replications/{replication_id}/revisions", "", MOMENT),
    ("/v1/replications/{replication_id}/curves.svg", "", MOMENT),
    ("/v1/replications/{replication_id}/curves.png", "", MOMENT),
    ("/v1/trials/{trial_id}", "", NEVER),  # of a trial that is open
    ("/v1/pour/{secret}", "", NEVER),
    ("/v1/taste/{secret}", "", NEVER),
    ("/v1/ledger", "", MOMENT),
    ("/v1/ledger/head", "", MOMENT),
    ("/v1/ledger/consistency", "?from=1&to=2", EVER),
    ("/v1/ledger/{position}/proof", "", MOMENT),
    ("/v1/ledger/{position}/proof", "?size={size}", EVER),
    ("/v1/version", "", MOMENT),
    ("/health/live", "", NOW),
    ("/health/ready", "", NOW),
    ("/metrics", "", NOW),
    ("/openapi.json", "", ASK),
    ("/docs", "", HOUR),
    ("/docs/{asset}", "", HOUR),
    ("/", "", ASK),
    ("/questions/{slug}", "", ASK),
    ("/questions/{slug}/replications", "", ASK),
    ("/replications/{replication_id}", "", ASK),
    ("/calculators", "", MINUTES),
    ("/calculators/{family}", "", MINUTES),
    ("/guides", "", ASK),
    ("/guides/{name}", "", ASK),
    ("/method", "", ASK),
    ("/problems/{problem}", "", ASK),
    ("/static/{mark}/{name}", "", EVER),
    ("/taste/{secret}", "", NEVER),
    ("/pour/{secret}", "", NEVER),
]
# What only whoever takes part sees, signed in or about to be.
_OF_ONE_PERSON = (
    "/take-part",
    "/questions/{slug}/take-part",
    "/questions/{slug}/impression",
    "/taste/at/",
    "/pour/at/",
)
# Its tag is the revision, for If-Match: what stewards decide changes the answer and not the revision.
_TAGGED_FOR_EDITS = "/v1/replications/{replication_id}"
_RENAMED = {"/problems/{slug}": "/problems/{problem}"}
_CALCULATOR = "/v1/calculators/"


class World:
    """One of each thing that can be read."""

    def __init__(self, client):
        self.client = client
        kitchen = Kitchen(client)
        self.trial = kitchen.open()
        self.owner = kitchen.owner
        submitted = kitchen.community.submitted(kitchen.owner, replication(kitchen.slug))
        self.names = {
            "slug": kitchen.slug,
            "version": 1,
            "replication_id": submitted["id"],
            "trial_id": self.trial.id,
            "position": 1,
            "size": client.get("/v1/ledger/head").json()["size"],
            "method": client.get("/v1/version").json()["method_version"],
            "asset": "start.js",
            "family": "gravity",
            "problem": "not-found",
        }

    def get(self, template, query="", **headers):
        names = dict(self.names)
        if template.startswith(("/v1/pour/", "/pour/")):
            names["secret"] = self.trial.helper.rpartition("/")[2]
        if template.startswith(("/v1/taste/", "/taste/")):
            names["secret"] = self.trial.links["p1"].rpartition("/")[2]
        if template.startswith("/guides/"):
            names["name"] = "running"
        if template.startswith("/static/"):
            page = self.client.get("/").text
            names["mark"], names["name"] = page.partition("/static/")[2].partition('"')[0].split("/")
        return self.client.get((template + query).format(**names), headers=headers)


@pytest.fixture
def world(sqlite, join):
    return World(join(sqlite, sealing_key=SecretStr("a secret that is long enough")))


def served(client):
    app = client.app
    while not hasattr(app, "routes"):
        app = app.app
    for route in app.routes:
        if "GET" in (getattr(route, "methods", None) or ()):
            template = route.path_format
            yield _RENAMED.get(template, template)


def test_everything_that_is_read_is_kept_for_as_long_as_it_may(world, subtests):
    for template, query, kept in TABLE:
        with subtests.test(template + query):
            signed = world.owner.headers if template.startswith("/v1/me") else {}
            answer = world.get(template, query, **signed)
            assert answer.status_code == 200
            assert answer.headers.get_list("cache-control") == [kept]
            assert answer.headers.get("vary") == ("Authorization, Cookie" if kept == MOMENT else None)
            assert "set-cookie" not in answer.headers
            tag = answer.headers.get("etag")
            if tag is not None and kept != NEVER and template != _TAGGED_FOR_EDITS:
                unchanged = world.get(template, query, **{"If-None-Match": tag})
                assert (unchanged.status_code, unchanged.headers.get_list("cache-control")) == (304, [kept])


def test_nothing_that_is_read_is_missing_in_the_table(world):
    named = {template for template, _, _ in TABLE}
    left = {each for each in served(world.client) if each not in named and not each.startswith(_OF_ONE_PERSON)}
    assert {each for each in left if not each.startswith(_CALCULATOR)} == set()


def test_calculations_are_kept_by_their_address_and_their_form(world, subtests):
    catalogue = world.client.get("/v1/calculators").json()["items"]
    for entry in catalogue:
        scalars = {name: value for name, value in entry["example"].items() if not isinstance(value, (list, dict))}
        if entry["answers_get"]:
            with subtests.test(entry["name"]):
                answer = world.client.get(_CALCULATOR + entry["name"], params=scalars)
                assert answer.status_code == 200
                assert answer.headers["cache-control"] == HOUR
                assert answer.headers["vary"] == "Accept"


def test_what_one_person_sees_is_kept_by_nobody(world, subtests):
    for template in served(world.client):
        if template.startswith(_OF_ONE_PERSON) and "{mark}" not in template:
            with subtests.test(template):
                assert world.get(template).headers["cache-control"] == NEVER


def test_who_says_who_they_are_is_never_answered_from_a_shared_cache(world, subtests):
    for template, query, kept in TABLE:
        if kept == MOMENT:
            for who in (world.owner.headers, {"Cookie": "manybatch=x"}):
                with subtests.test(template + query):
                    answer = world.get(template, query, **who)
                    assert answer.headers["cache-control"] == ASK
                    assert answer.headers["vary"] == "Authorization, Cookie"


@pytest.mark.parametrize("path", ["/v1/questions/there-is-none", "/v1/questions?limit=0", "/v1/nowhere", "/nowhere"])
def test_refusals_are_kept_by_nobody(world, path):
    assert world.client.get(path).headers["cache-control"] == NEVER
