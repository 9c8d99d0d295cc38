import html
import re
from statistics import median

import pytest

from service.pages import reading
from service.pages.prose import prose
from tests.api.community import Community, registration, replication
from tests.pages.reader import BROWSER, Reader
from tests.pages.test_every_page import OPEN


@pytest.fixture
def asked(village):
    person = village.person()
    slug = village.asked(person, summary="Part one wash.", steps=["Split it."])
    return village, person, slug


def test_the_first_page_has_each_question_with_its_answer(reader, asked):
    _, _, slug = asked
    seen = reader.page("/")
    assert f"/questions/{slug}" in [link["href"] for link in seen.each("a")]
    assert "No replication has been reported yet" in seen.text


def test_questions_are_found_by_words_and_stage(reader, village):
    person = village.person()
    village.question(person, title="Does a clear wash taste cleaner?", stage="distil")
    village.question(person, title="Does oak help a mead?", stage="ferment")
    assert "oak" not in reader.page("/?search=wash").text
    assert "Does oak help a mead?" in reader.page("/?stage=ferment&search=").text
    assert "No question has these words" in reader.page("/?search=quince").text


def test_more_questions_than_fit_are_a_link_away(reader, village):
    person = village.person()
    titles = [village.question(person, title=f"Does number {number} matter?") for number in range(23)]
    first = reader.page("/?search=matter")
    link = next(link["href"] for link in first.each("a") if link.get("rel") == "next")
    second = reader.page(link)
    seen = [
        each["href"] for page in (first, second) for each in page.each("a") if each["href"].startswith("/questions")
    ]
    assert sorted(seen) == sorted(f"/questions/{slug}" for slug in titles)


def test_a_question_answers_before_anything_else(reader, asked):
    village, person, slug = asked
    village.submitted(person, replication(slug, (11, 12)))
    answer = reader.get(f"/questions/{slug}")
    evidence = village.evidence(slug)
    shown = answer.text
    assert html.escape(prose(evidence["answer"])).replace("&quot;", "&#34;") in shown
    assert shown.index('class="answer"') < shown.index("<h2")
    seen = reader.page(f"/questions/{slug}")
    assert "How sure the record is: single" in seen.text
    assert evidence["next"]["what_would_help"] in seen.text
    assert evidence["cite_as"] in seen.text
    assert "11 right of 12" in seen.text
    assert "not registered" in seen.text
    assert f"/v1/questions/{slug}/evidence/forest.svg" in [image["src"] for image in seen.each("img")]


def test_impressions_stand_apart(reader, asked):
    village, person, slug = asked
    body = {"leans": "treatment", "text": "softer"}
    answer = village.client.post(f"/v1/questions/{slug}/reports", headers=person.headers, json=body)
    assert answer.status_code == 201
    assert "“Cleared for a week”: 1." in reader.page(f"/questions/{slug}").text


def test_a_page_is_kept_until_the_question_is_touched(reader, asked):
    village, person, slug = asked
    other = village.asked(person)
    first = reader.get(f"/questions/{slug}")
    tag = first.headers["etag"]
    village.submitted(person, replication(other))
    assert reader.get(f"/questions/{slug}", **{"If-None-Match": tag}).status_code == 304
    village.submitted(person, replication(slug))
    again = reader.get(f"/questions/{slug}", **{"If-None-Match": tag})
    assert again.status_code == 200
    assert again.headers["etag"] != tag


def test_a_past_state_is_shown_as_it_was(reader, asked):
    village, person, slug = asked
    before = village.evidence(slug)["as_of"]["position"]
    village.submitted(person, replication(slug))
    assert "No replication has been reported yet" in reader.page(f"/questions/{slug}?as_of={before}").text
    assert "No replication has been reported yet" not in reader.page(f"/questions/{slug}").text


def test_a_part_is_chosen_by_a_form_and_called_exploratory(reader, asked):
    village, person, slug = asked
    village.submitted(person, replication(slug, conditions={"still": "pot"}))
    seen = reader.page(f"/questions/{slug}?registered=true&sealed=&conditions_met=&where=")
    assert "How sure the record is" not in seen.text
    assert "exploratory" in seen.text
    assert "chosen by the reader" in seen.text


def test_what_cannot_be_asked_is_refused_on_a_page(reader, asked):
    _, _, slug = asked
    assert "control : " in reader.page(f"/questions/{slug}?control=nothing", 422).text
    assert "sealed : " in reader.page(f"/questions/{slug}?sealed=perhaps", 422).text
    assert reader.get(f"/questions/{slug}?method_version=0").status_code == 410


def test_a_replication_shows_its_report_and_history(reader, asked):
    village, person, slug = asked
    made = village.submitted(person, replication(slug, (8, 12), notes="Rained.", conditions={"still": "pot"}))
    seen = reader.page(f"/replications/{made['id']}")
    for sentence in made["report"]["summary"]:
        assert sentence in seen.text
    assert "Rained." in seen.text
    assert "Still pot" in seen.text
    assert "submitted" in seen.text
    answer = reader.get(f"/replications/{made['id']}")
    assert reader.get(f"/replications/{made['id']}", **{"If-None-Match": answer.headers["etag"]}).status_code == 304


def test_what_was_not_submitted_is_nobodys_business(reader, asked):
    village, person, slug = asked
    made = village.submitted(person, registration(slug))
    assert reader.get(f"/replications/{made['id']}").status_code == 404


def test_a_question_without_a_protocol_asks_nobody_to_take_part(reader, village):
    slug = village.question(village.person())
    seen = reader.page(f"/questions/{slug}")
    assert "No protocol has been published yet" in seen.text
    assert f"/questions/{slug}/take-part" not in [link["href"] for link in seen.each("a")]
    assert reader.get(f"/questions/{slug}/take-part").status_code == 404


def test_a_merged_question_says_where_it_went(reader, village, steward):
    person = village.person()
    slug, into = village.asked(person), village.asked(person)
    body = {"into": into, "reason": "the same claim"}
    answer = village.client.post(f"/v1/questions/{slug}/merge", json=body, headers=steward.headers)
    assert answer.status_code == 200, answer.text
    seen = reader.page(f"/questions/{slug}")
    assert "nothing new is taken" in seen.text
    assert f"/questions/{into}" in [link["href"] for link in seen.each("a")]


def test_what_was_retracted_is_said(reader, asked, steward):
    village, _, slug = asked
    made = [village.submitted(village.person(), replication(slug, (6, 12))) for _ in range(2)]
    body = {"category": "mixed_up", "reason": "the buckets were swapped"}
    answer = village.client.post(f"/v1/replications/{made[0]['id']}/retract", json=body, headers=steward.headers)
    assert answer.status_code == 200, answer.text
    assert "was retracted" in reader.page(f"/replications/{made[0]['id']}").text
    assert "retracted" in reader.page(f"/questions/{slug}").text


def test_every_replication_of_a_question_is_listed(reader, asked, monkeypatch):
    monkeypatch.setattr(reading, "_MOST_LISTED", 3)
    village, _, slug = asked
    made = [village.submitted(village.person(), replication(slug, (6, 12)))["id"] for _ in range(5)]
    first = reader.page(f"/questions/{slug}")
    link = next(link["href"] for link in first.each("a") if "replications?after" in (link["href"] or ""))
    found = {
        link["href"]
        for page in (first, reader.page(link))
        for link in page.each("a")
        if (link["href"] or "").startswith("/replications/")
    }
    assert found == {f"/replications/{each}" for each in made}


def test_pages_link_their_data(reader, asked):
    village, person, slug = asked
    made = village.submitted(person, replication(slug))
    pages = {
        "/": "/v1/questions",
        f"/questions/{slug}": f"/v1/questions/{slug}/evidence",
        f"/replications/{made['id']}": f"/v1/replications/{made['id']}",
        "/calculators/trial": "/v1/calculators",
    }
    for path, data in pages.items():
        link = reader.get(path).headers["link"]
        assert link == f'<{data}>; rel="alternate"; type="application/json"'
        assert reader.client.get(data).status_code == 200


def test_data_link_their_pages(reader, asked):
    village, person, slug = asked
    made = village.submitted(person, replication(slug))
    data = {
        f"/v1/questions/{slug}": f"/questions/{slug}",
        f"/v1/questions/{slug}/evidence": f"/questions/{slug}",
        f"/v1/replications/{made['id']}": f"/replications/{made['id']}",
        "/v1/calculators": "/calculators",
        "/v1/calculators/gravity/scales?sg=1.05": "/calculators/gravity",
    }
    for path, page in data.items():
        answer = reader.client.get(path)
        assert f'<{page}>; rel="alternate"; type="text/html"' in answer.headers["link"].split(", ")
        assert reader.page(page)
    assert "alternate" not in str(reader.client.get("/v1/questions/none").headers)


def test_links_are_built_from_the_public_url_and_not_from_host(sqlite, join):
    client = join(sqlite, public_url="https://pool.example/many")
    village = Community(client)
    slug = village.asked(village.person())
    answer = Reader(client).get(f"/questions/{slug}", Host="evil.example")
    assert "evil.example" not in answer.text + str(answer.headers)
    assert answer.headers["link"].startswith("<https://pool.example/many/v1/questions/")
    assert re.search(r'href="/many/static/[0-9a-f]{12}/pages.css"', answer.text)


def test_a_kept_page_is_given_again_without_a_read_of_the_record(reader, asked, monkeypatch):
    village, person, slug = asked
    village.submitted(person, replication(slug))
    first = reader.get(f"/questions/{slug}")
    monkeypatch.setattr(reading, "find", None)
    again = reader.get(f"/questions/{slug}")
    assert (again.text, again.headers["etag"], again.headers["link"]) == (
        first.text,
        first.headers["etag"],
        first.headers["link"],
    )
    assert reader.get(f"/questions/{slug}", **{"If-None-Match": first.headers["etag"]}).status_code == 304
    monkeypatch.undo()
    village.submitted(village.person(), replication(slug, (3, 12)))
    assert "3 right of 12" in reader.get(f"/questions/{slug}").text


def test_the_median_page_is_light(site):
    """Without drawings, the stylesheet counted in."""
    with site.client(headers=BROWSER) as client:
        pages = [client.get(path) for paths in OPEN.values() for path in paths if "newest" not in path]
        style = client.get(re.search(r'href="(/static/[^"]+\.css)"', pages[0].text)[1])
    assert {page.status_code for page in pages} == {200}
    assert median(len(page.content) for page in pages) + len(style.content) < 60_000
    assert max(len(page.content) for page in pages) < 120_000
