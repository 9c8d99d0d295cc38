"""A page in Chromium, and whatever it did that it shouldn't."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.resources import files
from urllib.parse import urlsplit

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
STANDARDS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AUDIT = "async (standards) => (await axe.run({runOnly: standards})).violations"
WIDTHS = (360, 768, 1280)
PHONE = {"width": 360, "height": 740}
PAPER = 680  # A4 between our margins


class Watched:
    """A page, and whatever it did that it shouldn't."""

    def __init__(self, page, url: str) -> None:
        self.page = page
        self.url = url
        self.faults: list[str] = []
        self.checked: list[str] = []
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
        self.checked.append(urlsplit(self.page.url).path)
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

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=name).click()

    def became(self) -> None:
        """Become a contributor."""
        self.open("/take-part")
        self.page.get_by_label("A name to be called by").fill("Cellar mouse")
        self.press("Begin")
        self.page.locator("pre.token").wait_for()


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
