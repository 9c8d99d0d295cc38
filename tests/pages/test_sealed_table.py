"""A whole sealed trial at a kitchen table: an owner, a helper, and two tasters with a phone each and a bad network."""

import re
from contextlib import ExitStack

import httpx
import pytest
import segno

from tests.pages.watched import PHONE, Watched, watching

pytestmark = pytest.mark.browser

WASH = "clearing-a-wash-before-the-strip-run"
SETS = 3


@pytest.fixture
def phone(chromium, site):
    """Give phones, as many as there are people at the table."""
    with ExitStack() as stack:
        yield lambda: stack.enter_context(watching(chromium, site.url, viewport=PHONE, has_touch=True))


def opened(owner: Watched) -> tuple[str, dict[str, str]]:
    """Stamp a plan and open a trial for two; give the links that the QR codes hold."""
    owner.became()
    owner.open(f"/questions/{WASH}/take-part")
    owner.press("Look at the plan")
    owner.press("Stamp the plan")
    owner.page.get_by_role("link", name="Sealed trials").click()
    owner.page.locator("[name=presentations]").fill(str(SETS))
    owner.page.locator("[name=tasters]").fill("p1, p2")
    owner.press("Draw the orders")
    slips = owner.page.locator(".slip")
    slips.last.wait_for()
    links = {}
    for slip in slips.all():
        link = slip.locator("code").inner_text()
        drawn = segno.make(link, error="m", micro=False).svg_inline(border=4, omitsize=True)
        # The code on paper is the link and no other: what a phone's camera would read.
        assert slip.locator("svg path").get_attribute("d") == re.search(r' d="([^"]+)"', drawn)[1]
        links[slip.locator("h2").inner_text()] = link
    return links.pop("Pours, and tastes nothing"), links


def begun(taster: Watched, link: str) -> Watched:
    taster.page.goto(link)
    taster.press("Begin")
    heading(taster, f"Set 1 of {SETS}")
    return taster


def heading(taster: Watched, words: str) -> None:
    taster.page.get_by_role("heading", name=words, exact=True).wait_for(timeout=20_000)


def answer(taster: Watched, notes: str) -> str:
    """Answer the present set; give the code that was chosen."""
    taster.page.get_by_label("First, what you notice").fill(notes)
    chosen = taster.page.locator("[name=chosen]").first
    chosen.check()
    code = chosen.get_attribute("value")
    taster.press("This is my answer")
    return code


def go_on(taster: Watched, number: int) -> None:
    taster.page.get_by_role("link", name=f"Set {number} is in front of me").click()
    heading(taster, f"Set {number} of {SETS}")


def trouble(taster: Watched) -> None:
    taster.page.get_by_text("No connection").wait_for()


def answers_cut(taster: Watched, *, arrives: bool) -> list[int]:
    """Cut the connection once in the middle of an answer, before it reaches the server or after."""
    cut = []

    def handle(route) -> None:
        if route.request.method != "POST" or cut:
            route.continue_()
            return
        cut.append(route.fetch(max_redirects=0).status if arrives else 0)
        route.abort("connectionreset")

    taster.page.route("**/taste/at/*", handle)
    return cut


def test_two_tasters_finish_a_trial_whatever_the_network_does(site, phone):
    owner = phone()
    helper_link, links = opened(owner)
    helper, first, second = phone(), begun(phone(), links["Taster p1"]), begun(phone(), links["Taster p2"])
    helper.page.goto(helper_link)
    helper.press("I pour")
    given = {"p1": [], "p2": []}

    # The first taster's network drops before the answer is sent, and between two sets.
    first.page.context.set_offline(True)
    given["p1"].append((answer(first, "like pears"), "like pears"))
    trouble(first)
    first.page.context.set_offline(False)
    heading(first, "Set 1 is written down")
    first.page.context.set_offline(True)
    first.page.get_by_role("link", name="Set 2 is in front of me").click()
    trouble(first)
    first.page.context.set_offline(False)
    heading(first, f"Set 2 of {SETS}")

    # The second's is cut in the middle of an answer: once after the server had it, once before.
    cut = answers_cut(second, arrives=True)
    given["p2"].append((answer(second, "smoke"), "smoke"))
    heading(second, "Set 1 is written down")
    assert cut == [303]
    second.page.unroute_all()
    go_on(second, 2)
    cut = answers_cut(second, arrives=False)
    given["p2"].append((answer(second, "bread"), "bread"))
    heading(second, "Set 2 is written down")
    assert cut == [0]

    for number in (2, 3):
        given["p1"].append((answer(first, f"set {number}"), f"set {number}"))
        if number < SETS:
            heading(first, f"Set {number} is written down")
            go_on(first, number + 1)
    heading(first, "Thank you: you have answered every set")
    helper.page.reload()
    assert "3 of 3" in helper.page.locator("main").inner_text()
    owner.page.get_by_role("link", name="How far it is").click()
    owner.page.get_by_text(f"5 of {2 * SETS}").wait_for()

    go_on(second, 3)
    given["p2"].append((answer(second, "none"), "none"))
    heading(second, "This trial has ended")
    first.page.reload()
    for taster in (first, second):
        heading(taster, "This trial has ended")
        assert taster.page.locator("tbody tr").count() == SETS

    shown = httpx.get(f"{site.url}{second.page.get_by_role('link', name='The key').get_attribute('href')}").json()
    assert shown["state"] == "finished"
    assert len(shown["answers"]) == 2 * SETS
    for taster, answers in given.items():
        own = sorted(
            (each for each in shown["answers"] if each["taster"] == taster), key=lambda each: each["presentation"]
        )
        assert [(each["chosen_codes"], each["notes"]) for each in own] == [([code], notes) for code, notes in answers]
    for watched in (owner, helper, first, second):
        assert not [fault for fault in watched.faults if "net::ERR" not in fault]
