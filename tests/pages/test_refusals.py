import re
from pathlib import Path

import pytest

import service.pages
from service.api import limits
from service.api.limits import Policy
from service.api.problems import PROBLEMS
from service.pages.guides import NOTES, guides
from service.record import ledger
from service.record.errors import Unavailable
from tests.pages.reader import BROWSER, Reader, Seen

PAGES = Path(service.pages.__file__).parent
JSON_PATHS = ["/v1/nothing", "/v1/questions/none", "/health/none", "/openapi.json/x"]


@pytest.mark.parametrize("path", JSON_PATHS)
def test_a_data_path_never_answers_with_a_page(reader, path):
    answer = reader.get(path)
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_browser_is_told_on_a_page_and_others_by_a_document(reader):
    assert "Nothing is here" in reader.page("/questions/none", 404).text
    assert "Nothing is here" in reader.page("/no/such/page", 404).text
    other = reader.client.get("/questions/none", headers={"Accept": "*/*"})
    assert other.headers["content-type"] == "application/problem+json"


def test_a_page_that_takes_no_form_says_so(reader):
    answer = reader.send("/method", {})
    assert answer.status_code == 405
    assert "GET" in answer.headers["allow"]
    assert answer.headers["content-type"].startswith("text/html")


@pytest.mark.parametrize("slug", PROBLEMS)
def test_each_problem_type_has_its_page(reader, slug):
    assert PROBLEMS[slug].explanation.replace("`", "") in reader.page(f"/problems/{slug}").text


def test_each_note_is_a_guide(reader):
    assert set(guides()) == {path.stem for path in NOTES.glob("*.md")}
    listed = [link["href"] for link in reader.page("/guides").each("a")]
    for name, guide in guides().items():
        assert f"/guides/{name}" in listed
        seen = reader.page(f"/guides/{name}")
        assert guide.title in seen.text
        assert len(seen.each("h1")) == 1
        assert "<!--" not in guide.html
        assert " style=" not in guide.html
        names = [given["id"] for _, given in seen.elements if "id" in given]
        assert len(names) == len(set(names))
    assert reader.get("/guides/../pyproject").status_code == 404


def test_a_mark_can_be_pointed_at_in_its_guide(reader):
    assert 'id="not_registered"' in reader.get("/guides/flags").text


def test_html_within_a_guide_is_only_text(tmp_path):
    path = tmp_path / "x.md"
    path.write_text("# A <b>guide</b>\n\n<script>alert(1)</script>\n\n[x](javascript:alert(1))\n", encoding="utf-8")
    shown = service.pages.guides._guide(path).html
    assert "<script" not in shown
    assert "<b>" not in shown
    assert 'href="javascript' not in shown


@pytest.mark.parametrize("path", ["/", "/method", "/guides", "/calculators/gravity", "/take-part", "/nothing"])
def test_every_page_lets_nothing_else_happen(reader, path):
    headers = reader.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_no_template_holds_a_script_a_style_or_an_address_elsewhere():
    for path in (PAGES / "templates").glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|https?://", text), path.name
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text)), path.name


def test_files_are_kept_under_an_address_that_changes_with_them(reader):
    text = reader.get("/").text
    address = re.search(r'href="(/static/[^"]+\.css)"', text)[1]
    answer = reader.client.get(address)
    assert answer.headers["content-type"] == "text/css; charset=utf-8"
    assert "immutable" in answer.headers["cache-control"]
    assert reader.client.get("/static/000000000000/pages.css").status_code == 404
    assert reader.client.get(f"{address}/../layout.py", headers=BROWSER).status_code == 404


def test_what_is_too_long_is_refused_on_a_page(sqlite, join):
    reader = Reader(join(sqlite, max_body_bytes=2000))
    seen = reader.sent("/take-part/document", {"document": "x" * 3000}, 413)
    assert "What you sent is longer" in seen.text
    assert "2000 bytes" in seen.text
    answer = reader.client.post("/v1/replications/check", content="x" * 3000, headers=BROWSER)
    assert answer.status_code == 413
    assert answer.headers["content-type"] == "application/problem+json"


def test_who_asks_too_often_is_told_on_a_page_when_to_come_back(sqlite, join, monkeypatch):
    monkeypatch.setattr(limits, "READS", Policy("reads", 1, 60, exact=False))
    reader = Reader(join(sqlite, rate_limits="on"))
    assert reader.get("/method").status_code == 200
    answer = reader.get("/method")
    assert answer.status_code == 429
    assert f"Try again in {answer.headers['retry-after']} seconds" in Seen(answer.text).text
    assert answer.headers["ratelimit"]
    assert reader.client.get("/method", headers={"Accept": "*/*"}).headers["content-type"].startswith("application")


@pytest.mark.parametrize(
    ("raised", "status", "header", "said"),
    [
        (Unavailable("innards"), 503, "retry-after", "Try again in {} seconds"),
        (RuntimeError("innards"), 500, "x-request-id", "{}"),
    ],
    ids=["the record is away", "something breaks"],
)
def test_what_fails_is_said_on_a_page_without_its_innards(reader, monkeypatch, raised, status, header, said):
    def fail(*_, **__):
        raise raised

    monkeypatch.setattr(ledger, "head", fail)
    answer = reader.get("/")
    assert answer.status_code == status
    assert said.format(answer.headers[header]) in Seen(answer.text).text
    assert "innards" not in answer.text
    assert "no-store" in answer.headers["cache-control"]
    assert "default-src 'self'" in answer.headers["content-security-policy"]
