"""In Debian's Chromium: every page at every width and on paper, by keyboard and by axe, without a script, offline."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from service.pages.calculators import families
from tests.api.community import Community
from tests.api.kitchen import Kitchen

pytestmark = pytest.mark.browser

AXE = Path(__file__).with_name("axe.min.js").read_text(encoding="utf-8")
STANDARDS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AUDIT = "async (standards) => (await axe.run({runOnly: standards})).violations"
WIDTHS = (360, 768, 1280)
PAPER = 680  # A4 between our margins
WASH = "clearing-a-wash-before-the-strip-run"
MEAD = "feeding-a-mead-in-steps"
PAGES = [
    "/",
    "/?search=quince",
    f"/questions/{WASH}",
    f"/questions/{MEAD}?registered=true",
    f"/questions/{WASH}/replications",
    f"/questions/{WASH}/take-part",
    f"/questions/{MEAD}/take-part",
    "/replications/newest",
    "/method",
    "/guides",
    "/guides/flags",
    "/guides/submitting",
    "/guides/reading-evidence",
    "/problems/invalid-input",
    "/calculators",
    *(f"/calculators/{family}" for family in families()),
    "/calculators/trial?calculator=significance&method=triangle&presented=12&correct=8",
    "/take-part",
    "/take-part/document",
    "/taste/any-secret",
    "/pour/any-secret",
]
# Laid out otherwise where there is room: audited so too.
WIDE = ["/", f"/questions/{WASH}", f"/questions/{MEAD}/take-part", "/calculators/trial"]
# A page that says no: browsers write its status to their console.
REFUSALS = ["/nothing/here", "/calculators/trial?calculator=significance&method=triangle&presented=12&correct=x"]


class Watched:
    """A page, and whatever it did that it shouldn't."""

    def __init__(self, page, url: str) -> None:
        self.page = page
        self.url = url
        self.faults: list[str] = []
        page.on("console", self.hear)
        page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        page.on("request", lambda request: self.see(request.url))

    def hear(self, said) -> None:
        if said.type in {"error", "warning"} and "status of 4" not in said.text:
            self.faults.append(f"console: {said.text}")

    def see(self, url: str) -> None:
        if not url.startswith(self.url):
            self.faults.append(f"off host: {url}")

    def open(self, path: str):
        return self.page.goto(f"{self.url}{path}")

    def check(self, where: str, *, widths: Sequence[int] = WIDTHS, audited: Sequence[int] = (360,)) -> None:
        """No sideways scrolling at any width, nor on paper; nothing that axe finds."""
        for width in widths:
            self.page.set_viewport_size({"width": width, "height": 800})
            self.fits(where, width)
            if width in audited:
                found = self.page.evaluate(AUDIT, STANDARDS)
                told = [(each["id"], [node["html"][:200] for node in each["nodes"]][:3]) for each in found]
                assert not told, f"{where} at {width}: {told}"
        self.page.emulate_media(media="print")
        self.page.set_viewport_size({"width": PAPER, "height": 900})
        self.fits(f"{where} on paper", PAPER)
        self.page.emulate_media(media="screen")
        assert not self.faults, f"{where}: {self.faults}"

    def fits(self, where: str, width: int) -> None:
        # Where an answer has just led on to another page, there is a moment without any.
        # (Not `wait_for_function`: it evaluates text in the page, which the site's policy forbids.)
        self.page.locator("body").wait_for(state="attached")
        self.page.wait_for_load_state()
        wide = self.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{where} is {wide} wide at {width}"


@contextmanager
def watching(chromium, url: str, **settings) -> Iterator[Watched]:
    context = chromium.new_context(**settings)
    context.set_default_timeout(10_000)
    if settings.get("java_script_enabled", True):
        context.add_init_script(AXE)
    try:
        yield Watched(context.new_page(), url)
    finally:
        context.close()


@pytest.fixture
def watched(chromium, site):
    with watching(chromium, site.url) as watched:
        yield watched


@pytest.fixture(scope="module")
def newest(site) -> str:
    return httpx.get(f"{site.url}/v1/replications", params={"limit": 1, "question": WASH}).json()["items"][0]["id"]


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_good_at_every_width_and_on_paper(watched, newest, path):
    answer = watched.open(path.replace("newest", newest))
    assert answer.status == 200
    assert watched.page.locator("html").get_attribute("lang") == "en"
    assert watched.page.locator("h1").count() == 1
    broken = watched.page.evaluate(
        "[...document.images].filter((image) => !image.naturalWidth).map((image) => image.src)"
    )
    assert not broken
    watched.check(path)


@pytest.mark.parametrize("path", REFUSALS)
def test_a_refusal_is_as_good_a_page(watched, path):
    assert watched.open(path).status in {404, 422}
    watched.check(path)


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


def became(watched) -> None:
    watched.open("/take-part")
    watched.page.get_by_label("A name to be called by").fill("Cellar mouse")
    watched.page.get_by_role("button", name="Begin").click()
    assert watched.page.locator("pre.token").is_visible()


@pytest.mark.parametrize("script", [True, False], ids=["with a script", "without a script"])
def test_a_replication_is_submitted_with_an_error_mended_on_the_way(chromium, site, script):
    with watching(chromium, site.url, java_script_enabled=script) as watched:
        page = watched.page
        became(watched)
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


def test_ones_own_pages_are_as_good(chromium, site):
    with watching(chromium, site.url) as watched:
        page = watched.page
        became(watched)
        watched.check("the token")
        watched.open(f"/questions/{WASH}/take-part")
        page.get_by_role("button", name="Look at the plan").click()
        watched.check("the plan")
        page.get_by_role("button", name="Stamp the plan").click()
        watched.check("one's own work")
        page.get_by_role("link", name="Report what came out").first.click()
        watched.check("the results")
        watched.open("/take-part")
        page.get_by_role("link", name="Sealed trials").first.click()
        watched.check("sealed trials")
        page.locator("[name=tasters]").fill("p1, p2")
        page.get_by_role("button", name="Draw the orders").click()
        watched.check("the links")
        page.set_viewport_size({"width": 1280, "height": 800})
        assert page.locator(".slip svg").count() == 3
        page.go_back()


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
        watched.check("the door")
        watched.page.get_by_role("button").click()
        watched.check("the pour sheet")
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
        watched.check("the set")
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
        watched.check("the rest")
        page.get_by_role("link", name="Set 2 is in front of me").click()
        page.locator("[name=chosen]").first.check()
        page.get_by_role("button", name="This is my answer").click()
        page.get_by_text("This trial has ended").wait_for()
        watched.check("the end")
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
        assert payload in watched.page.locator("main").inner_text()
        assert not watched.faults
