"""Every page that is served, in Chromium: at each width and on paper, by axe, nothing to the console or off host.

A page without its row here fails the walk. Pages of 429 and 503 are those of the other refusals, with a line more.
"""

import re

import httpx
import pytest

from service.pages.calculators import families
from service.pages.guides import guides
from tests.api.kitchen import Kitchen
from tests.pages.watched import watching

pytestmark = pytest.mark.browser

WASH = "clearing-a-wash-before-the-strip-run"
MEAD = "feeding-a-mead-in-steps"
OPEN = {
    "/": ["/", "/?search=quince"],
    "/questions/{slug}": [f"/questions/{WASH}", f"/questions/{MEAD}?registered=true"],
    "/questions/{slug}/replications": [f"/questions/{WASH}/replications"],
    "/questions/{slug}/take-part": [f"/questions/{WASH}/take-part", f"/questions/{MEAD}/take-part"],
    "/questions/{slug}/impression": [f"/questions/{MEAD}/impression"],
    "/replications/{replication_id}": ["/replications/newest"],
    "/calculators": ["/calculators"],
    "/calculators/{family}": [
        *(f"/calculators/{family}" for family in families()),
        "/calculators/trial?calculator=significance&method=triangle&presented=12&correct=8",
    ],
    "/guides": ["/guides"],
    "/guides/{name}": [f"/guides/{name}" for name in guides()],
    "/method": ["/method"],
    "/problems/{slug}": ["/problems/invalid-input"],
    "/take-part": ["/take-part"],
    "/take-part/document": ["/take-part/document"],
    "/take-part/ask": ["/take-part/ask"],
    "/taste/{secret}": ["/taste/any-secret"],
    "/pour/{secret}": ["/pour/any-secret"],
}
SIGNED_IN = {
    "/questions/{slug}/impression",
    "/take-part",
    "/take-part/account",
    "/take-part/ask",
    "/take-part/replications/{replication_id}",
    "/take-part/replications/{replication_id}/document",
    "/take-part/replications/{replication_id}/trials",
    "/take-part/replications/{replication_id}/withdraw",
}
BEHIND_A_LINK = {"/taste/at/{mark}", "/pour/at/{mark}"}
FILES = {"/static/{mark}/{name}"}
# A page that says no: browsers write its status to their console.
REFUSALS = {
    "/nothing/here": 404,
    "/taste/at/forgotten": 404,
    "/take-part/account": 401,
    "/calculators/trial?calculator=significance&method=triangle&presented=12&correct=x": 422,
}


def template_of(path: str) -> str:
    """The address in the table that a path is of."""
    named = {*OPEN, *SIGNED_IN, *BEHIND_A_LINK}
    return next(
        (each for each in sorted(named, key=lambda each: each.count("{")) if _matches(each, path)), f"none of {path}"
    )


def _matches(template: str, path: str) -> bool:
    return re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", template), path) is not None


def _is_page(route) -> bool:
    return "GET" in getattr(route, "methods", ()) and route.endpoint.__module__.startswith("service.pages")


def test_every_page_has_its_row(sqlite_client):
    served = {route.path for route in sqlite_client.app.app.routes if _is_page(route)}
    assert served == {*OPEN, *SIGNED_IN, *BEHIND_A_LINK, *FILES}


@pytest.fixture
def watched(chromium, site):
    with watching(chromium, site.url) as watched:
        yield watched


@pytest.fixture(scope="module")
def newest(site) -> str:
    return httpx.get(f"{site.url}/v1/replications", params={"limit": 1, "question": WASH}).json()["items"][0]["id"]


@pytest.mark.parametrize("path", [path for paths in OPEN.values() for path in paths])
def test_a_page_is_good_at_every_width_and_on_paper(watched, newest, path):
    answer = watched.open(path.replace("newest", newest))
    assert answer.status == 200
    assert watched.page.locator("html").get_attribute("lang") == "en"
    assert watched.page.locator("h1").count() == 1
    assert not watched.page.evaluate(
        "[...document.images].filter((image) => !image.naturalWidth).map((image) => image.src)"
    )
    watched.check(path)


def test_questions_of_one_title_can_be_told_apart(site, watched):
    with site.client() as client:
        Kitchen(client), Kitchen(client)
    watched.open("/")
    watched.check("two of one title", widths=(360,))


@pytest.mark.parametrize(("path", "status"), REFUSALS.items())
def test_a_refusal_is_as_good_a_page(watched, path, status):
    assert watched.open(path).status == status
    watched.check(path)


def test_what_is_too_long_is_refused_on_as_good_a_page(watched):
    watched.open("/take-part/document")
    watched.page.locator("[name=file]").set_input_files(
        {"name": "log.json", "mimeType": "application/json", "buffer": b" " * 1_100_000}
    )
    watched.press("Check it")
    watched.page.get_by_role("heading", name="The body is too large").wait_for()
    watched.check("too long")


def test_ones_own_pages_are_as_good(watched):
    page = watched.page
    watched.became()
    watched.check("the token")
    watched.open(f"/questions/{WASH}/take-part")
    watched.press("Look at the plan")
    watched.check("the plan")
    watched.press("Stamp the plan")
    watched.check("one’s own work")
    page.get_by_role("link", name="Write it down").click()
    watched.check("the results")
    page.get_by_role("link", name="Mend it as a document").click()
    watched.check("the document")
    for link, where in (("Withdraw", "withdrawing"), ("Your household", "the account"), ("Sealed trials", "trials")):
        watched.open("/take-part")
        page.get_by_role("link", name=link).click()
        watched.check(where)
    page.locator("[name=tasters]").fill("p1, p2")
    watched.press("Draw the orders")
    watched.check("the links")
    watched.open(f"/questions/{MEAD}/impression")
    watched.check("an impression")
    watched.open("/take-part/ask")
    watched.press("Ask it")
    page.locator(".faults:focus").wait_for()
    watched.check("a question")
    watched.open("/take-part/account")
    watched.press("Make a code")
    watched.check("the code")
    watched.open("/take-part/account")
    page.get_by_label("The code of a household").fill("nobodys-own-code")
    watched.press("Join this household")
    page.locator(".faults:focus").wait_for()
    watched.check("a fault")
    assert {template_of(path) for path in watched.checked} >= SIGNED_IN


def test_what_is_behind_a_link_is_as_good(chromium, site):
    """The door, the pour sheet, and a taster's page in each of its states."""
    with site.client() as client, watching(chromium, site.url) as poured, watching(chromium, site.url) as tasted:
        trial = Kitchen(client).open(presentations=2, tasters=["p1", "p2"], preference=True, descriptors=["fruity"])
        poured.open(trial.helper.removeprefix("/v1"))
        poured.press("I pour")
        poured.check("the pour sheet")
        tasted.open(trial.links["p1"].removeprefix("/v1"))
        tasted.press("Begin")
        tasted.check("the set")
        for number in (1, 2):
            tasted.page.locator("[name=chosen]").first.check()
            tasted.press("This is my answer")
            if number == 1:
                tasted.page.get_by_text("Set 1 is written down").wait_for()
                tasted.check("the rest")
                tasted.page.get_by_role("link", name="Set 2 is in front of me").click()
        tasted.page.get_by_text("you have answered every set").wait_for()
        tasted.check("waiting for the others")
        poured.page.get_by_label("I mean it").check()
        poured.press("End the trial")
        poured.page.get_by_text("This trial has ended").wait_for()
        poured.check("the pour sheet at the end")
        tasted.page.reload()
        tasted.page.get_by_text("Your sets, and what was in them").wait_for()
        tasted.check("the end")
        assert {template_of(path) for path in poured.checked + tasted.checked} >= BEHIND_A_LINK


def test_the_interfaces_reference_needs_nothing_from_elsewhere(watched):
    """Its look is its package's own, and no page of ours: it has to work, and to stay on this host."""
    watched.open("/docs")
    watched.page.get_by_text("Pooled").or_(watched.page.locator(".opblock")).first.wait_for(timeout=30_000)
    assert not watched.faults
