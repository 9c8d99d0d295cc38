"""In Debian's Chromium: by keyboard, without a script, with a network that drops, and with what hostile hands wrote."""

import httpx
import pytest

from service.pages.prose import prose
from tests.api.community import Community
from tests.api.kitchen import Kitchen
from tests.pages.watched import watching

pytestmark = pytest.mark.browser

WASH = "clearing-a-wash-before-the-strip-run"
MEAD = "feeding-a-mead-in-steps"


@pytest.fixture
def watched(chromium, site):
    with watching(chromium, site.url) as watched:
        yield watched


def test_the_keyboard_skips_to_the_text_and_shows_where_it_is(watched):
    watched.open("/")
    watched.page.keyboard.press("Tab")
    assert watched.page.evaluate("document.activeElement.textContent") == "Skip to the text"
    assert watched.page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    watched.page.keyboard.press("Enter")
    assert watched.page.evaluate("document.activeElement.id") == "main"
    watched.page.keyboard.press("Tab")
    outline = watched.page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert float(outline.removesuffix("px")) >= 2


@pytest.mark.parametrize("script", [True, False], ids=["with a script", "without a script"])
def test_a_replication_is_submitted_with_an_error_mended_on_the_way(chromium, site, script):
    with watching(chromium, site.url, java_script_enabled=script) as watched:
        page = watched.page
        watched.became()
        watched.open(f"/questions/{MEAD}/take-part")
        for index, final in ((0, "1.010"), (1, "1.900")):
            page.locator(f"[name='batches.{index}.original_sg']").fill("1.100")
            page.locator(f"[name='batches.{index}.final_sg']").fill(final)
        page.locator("[name='trials.0.assessors.0.assessor']").fill("p1")
        page.locator("[name='trials.0.assessors.0.presented']").fill("12")
        page.locator("[name='trials.0.assessors.0.correct']").fill("7")
        page.get_by_role("button", name="Check it and see the report").click()
        wrong = page.locator("[name='batches.1.final_sg']")
        assert wrong.get_attribute("aria-invalid") == "true"
        assert page.locator(f"#{wrong.get_attribute('id')}-wrong").inner_text()
        if script:
            watched.check("the form with a fault")
        page.locator(".faults a").first.click()
        wrong.fill("1.004")
        page.get_by_role("button", name="Check it and see the report").click()
        assert "Nothing has been kept yet" in page.locator("main").inner_text()
        if script:
            watched.check("the review")
        page.get_by_role("button", name="Keep it").click()
        page.wait_for_url("**/replications/*")
        assert "7 times in 12" in page.locator("main").inner_text()
        assert not watched.faults


@pytest.fixture
def trial(site):
    with site.client() as client:
        yield Kitchen(client).open(presentations=2, tasters=["p1"], preference=True, descriptors=["fruity", "soft"])


def test_a_preview_opens_nothing_and_the_sheet_is_for_paper(chromium, site, trial):
    path = trial.helper.removeprefix("/v1")
    with watching(chromium, site.url, java_script_enabled=False) as preview:
        preview.open(path)
    with watching(chromium, site.url) as watched:
        watched.open(path)
        watched.page.get_by_role("button").click()
        assert path.rpartition("/")[2] not in watched.page.url
        # Once by the button, and not by the preview; the checks load nothing again.
        shown = watched.page.locator("main").inner_text()
        assert "For whoever pours" in shown
    assert trial.turn()["answered"] == 0


def test_a_tasting_survives_the_network_dropping(chromium, site, trial):
    with watching(chromium, site.url, viewport={"width": 360, "height": 740}) as watched:
        page = watched.page
        watched.open(trial.links["p1"].removeprefix("/v1"))
        page.get_by_role("button", name="Begin").click()
        page.set_viewport_size({"width": 360, "height": 740})
        target = page.locator("label.code").first.bounding_box()
        assert min(target["width"], target["height"]) >= 44
        page.get_by_label("First, what you notice").fill("like pears")
        page.locator("[name=chosen]").first.check()
        page.reload()
        assert page.get_by_label("First, what you notice").input_value() == "like pears"
        assert page.locator("[name=chosen]").first.is_checked()
        page.context.set_offline(True)
        page.get_by_role("button", name="This is my answer").click()
        page.get_by_text("No connection").wait_for()
        assert trial.turn()["answered"] == 0
        watched.faults.clear()
        page.context.set_offline(False)
        page.get_by_text("Set 1 is written down").wait_for(timeout=15_000)
        assert trial.turn()["answered"] == 1
        page.get_by_role("link", name="Set 2 is in front of me").click()
        page.locator("[name=chosen]").first.check()
        page.get_by_role("button", name="This is my answer").click()
        page.get_by_text("This trial has ended").wait_for()
    answers = httpx.get(f"{site.url}/v1/trials/{trial.id}").json()["answers"]
    assert [(each["presentation"], each.get("notes")) for each in answers] == [(1, "like pears"), (2, None)]


def test_a_tasting_needs_no_script(chromium, site, trial):
    with watching(chromium, site.url, java_script_enabled=False) as watched:
        page = watched.page
        watched.open(trial.links["p1"].removeprefix("/v1"))
        page.get_by_role("button", name="Begin").click()
        page.locator("[name=chosen]").first.check()
        page.get_by_role("button", name="This is my answer").click()
        assert "Set 1 is written down" in page.locator("main").inner_text()
    assert trial.turn()["answered"] == 1


def test_a_calculator_needs_no_script(chromium, site):
    with watching(chromium, site.url, java_script_enabled=False) as watched:
        watched.open("/calculators/trial#significance")
        watched.page.get_by_role("button", name="Calculate").first.click()
        assert "You found the odd glass 8 times in 12" in watched.page.locator(".answer").inner_text()


def test_what_people_write_runs_nothing(chromium, site):
    payload = "<img src=x onerror=\"document.title='run'\"><script>document.title='run'</script>"
    with site.client() as client:
        village = Community(client)
        slug = village.asked(village.person(), summary=payload, steps=[payload])
    with watching(chromium, site.url) as watched:
        watched.open(f"/questions/{slug}")
        assert watched.page.title() != "run"
        assert prose(payload) in watched.page.locator("main").inner_text()
        assert not watched.faults
