import re

import pytest

from tests.pages.reader import Reader

HOME = "/take-part/account"


@pytest.fixture
def mark(reader) -> str:
    return reader.begin()


def secret_in(answer) -> str:
    assert answer.status_code == 200, answer.text
    return re.search(r'class="token"[^>]*>([^<]+)<', answer.text)[1]


def test_nobody_has_no_account(reader):
    seen = reader.page(HOME, 401)
    assert "/take-part?back=/take-part/account" in [link["href"] for link in seen.each("a")]


def test_a_household_is_shared_by_a_code(reader, mark, sqlite, join):
    code = secret_in(reader.send(f"{HOME}/join-code", {"mark": mark}))
    other = Reader(join(sqlite))
    fields = {"mark": other.begin(), "join_code": code}
    assert other.send(f"{HOME}/join", fields).headers["location"] == HOME
    assert household(other) == household(reader)
    assert code not in reader.get(HOME).text


def household(reader) -> str:
    return re.search(r"<dt>Household</dt><dd>(\w+)", reader.get(HOME).text)[1]


@pytest.mark.parametrize("code", ["", "short", "nobodys-own-join-code"])
def test_a_code_that_is_nobodys_is_refused_beside_its_field(reader, mark, code):
    seen = reader.sent(f"{HOME}/join", {"mark": mark, "join_code": code}, 422)
    assert [each["name"] for each in seen.each("input") if each.get("aria-invalid")] == ["join_code"]


def test_a_replaced_token_is_shown_once_and_the_old_one_is_dead(reader):
    old = secret_in(reader.send("/take-part/begin", {"display_name": "A"}))
    new = secret_in(reader.send(f"{HOME}/token", {"mark": reader.page(HOME).field("mark")}))
    assert new != old
    assert "Signed in as A" in reader.page("/take-part").text
    assert new not in reader.get(HOME).text
    reader.sent("/take-part/sign-in", {"token": old}, 422)


def test_erasing_is_meant_and_for_ever(reader, mark):
    assert reader.send(f"{HOME}/erase", {"mark": mark}).status_code == 400
    assert "Signed in" in reader.page("/take-part").text
    assert reader.send(f"{HOME}/erase", {"mark": mark, "sure": "yes"}).headers["location"] == "/take-part"
    assert "Sign in" in reader.page("/take-part").text


@pytest.mark.parametrize("page", ["join-code", "join", "token", "erase"])
def test_a_form_without_its_mark_changes_nothing(reader, mark, page):
    assert reader.send(f"{HOME}/{page}", {"sure": "yes"}).status_code == 403
    assert reader.page("/take-part").field("mark") == mark
