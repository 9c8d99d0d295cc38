import re

from service.api.security import hashed
from service.record import contributors
from tests.pages.reader import Reader


def test_a_cookie_that_no_script_reads_and_no_other_site_sends(reader):
    answer = reader.send("/take-part/begin", {"display_name": "Cellar mouse"})
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("manybatch=")
    for part in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert part in cookie
    assert "Domain" not in cookie
    assert "no-store" in answer.headers["cache-control"]


def test_over_https_the_cookie_is_bound_to_the_host(sqlite, join):
    reader = Reader(join(sqlite, public_url="https://pool.example"))
    cookie = reader.send("/take-part/begin", {"display_name": "Cellar mouse"}).headers["set-cookie"]
    assert cookie.startswith("__Host-manybatch=")
    assert "Secure" in cookie


def test_the_token_is_shown_once_and_signs_in(reader):
    token = re.search(r'class="token"[^>]*>([^<]+)<', reader.send("/take-part/begin", {"display_name": "A"}).text)[1]
    mark = reader.page("/take-part").field("mark")
    assert token not in reader.get("/take-part").text
    assert reader.send("/take-part/sign-out", {"mark": mark}).status_code == 303
    assert "Sign in" in reader.page("/take-part").text
    answer = reader.send("/take-part/sign-in", {"token": token, "back": "/take-part"})
    assert answer.status_code == 303
    assert "Signed in as A" in reader.page("/take-part").text


def test_a_token_that_is_nobodys_is_refused_and_not_repeated(reader):
    seen = reader.sent("/take-part/sign-in", {"token": "nobodys-own-token"}, 422)
    assert "not known" in seen.text
    assert "nobodys-own-token" not in reader.send("/take-part/sign-in", {"token": "nobodys-own-token"}).text


def test_the_interface_ignores_the_cookie(reader):
    reader.begin()
    assert reader.client.get("/v1/me").status_code == 401
    assert reader.client.post("/v1/replications", json={}).status_code == 401


def test_a_form_without_its_mark_writes_nothing(reader):
    mark = reader.begin()
    assert reader.send("/take-part/sign-out", {"other": "1"}).status_code == 403
    assert reader.send("/take-part/sign-out", {"mark": mark[::-1]}).status_code == 403
    assert "Signed in" in reader.page("/take-part").text


def test_a_form_of_another_site_writes_nothing(reader):
    fields = {"mark": reader.begin()}
    for headers in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}):
        assert reader.send("/take-part/sign-out", fields, **headers).status_code == 403
    for headers in ({"Origin": "http://service.test"}, {"Sec-Fetch-Site": "same-origin", "Origin": "null"}):
        assert reader.send("/take-part/begin", {"display_name": "A"}, **headers).status_code == 200


def test_nobody_is_sent_to_another_site(reader):
    token = re.search(r'class="token"[^>]*>([^<]+)<', reader.send("/take-part/begin", {"display_name": "A"}).text)[1]
    for back in ("//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"):
        answer = reader.send("/take-part/sign-in", {"token": token, "back": back})
        assert answer.headers["location"] == "/take-part"
    assert reader.send("/take-part/sign-in", {"token": token, "back": "/method"}).headers["location"] == "/method"


def test_a_replaced_token_signs_nobody_in(reader, sqlite):
    token = re.search(r'class="token"[^>]*>([^<]+)<', reader.send("/take-part/begin", {"display_name": "A"}).text)[1]
    with sqlite.write() as session:
        person = contributors.by_token_hash(session, hashed(token))
        contributors.set_token_hash(session, person, None)
    assert "Sign in" in reader.page("/take-part").text


def test_a_name_that_cannot_be_taken_is_refused_beside_its_field(reader):
    seen = reader.sent("/take-part/begin", {"display_name": "x" * 81}, 422)
    assert [each["name"] for each in seen.each("input") if each.get("aria-invalid")] == ["display_name"]


def test_newcomers_are_counted_as_those_of_the_interface_are(sqlite, join):
    reader = Reader(join(sqlite, rate_limits="on"))
    answer = reader.send("/take-part/begin", {"display_name": "A"})
    assert answer.headers["ratelimit"].startswith('"newcomers"')


def test_what_is_no_form_is_refused(reader):
    answer = reader.client.post("/take-part/begin", json={"display_name": "A"}, headers={"Accept": "text/html"})
    assert answer.status_code == 400
