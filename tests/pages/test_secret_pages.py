import re
from contextlib import suppress

import pytest

from tests.api.kitchen import Kitchen
from tests.pages.reader import Reader, Seen

SECRET_HEADERS = {"cache-control": "private, no-store", "referrer-policy": "no-referrer"}


def page_of(link: str) -> str:
    """The page beside an interface's link."""
    return link.removeprefix("/v1")


@pytest.fixture
def trial(kitchen):
    return kitchen.open(presentations=2, tasters=["p1"], preference=True, descriptors=["fruity"])


@pytest.fixture
def taster(trial):
    return Reader(trial.client), page_of(trial.links["p1"])


def begun(reader, path) -> str:
    answer = reader.send(path, {"begin": "1"})
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def answered(reader, home, **changes):
    seen = reader.page(home)
    codes = [each["value"] for each in seen.each("input") if each.get("name") == "chosen"]
    fields = dict(seen.fields) | {"chosen": codes[0], "notes": "soft", "preferred": "", **changes}
    return fields, reader.send(home, fields)


def openings(trial) -> int:
    answer = trial.client.get(f"/v1/replications/{trial.kitchen.replication}", headers=trial.kitchen.owner.headers)
    with suppress(KeyError):
        return answer.json()["sealed_trials"][0]["pour_sheet_openings"]
    trial.client.post(f"/v1/trials/{trial.id}/close", headers=trial.kitchen.owner.headers)
    trial.kitchen.submit()
    shown = trial.client.get(f"/v1/replications/{trial.kitchen.replication}").json()
    return shown["sealed_trials"][0]["pour_sheet_openings"]


def test_a_preview_of_a_link_opens_nothing(trial):
    reader = Reader(trial.client)
    for link in (trial.helper, trial.links["p1"]):
        answer = reader.get(page_of(link))
        assert answer.status_code == 200
        assert "set-cookie" not in answer.headers
        assert not re.findall(r"\b\d{3}\b", Seen(answer.text).text)
        head = reader.client.head(page_of(link))
        assert head.status_code == 200
    assert openings(trial) == 0


def test_a_link_that_is_nobodys_looks_the_same_until_it_is_opened(reader, trial):
    real, made_up = reader.get(page_of(trial.helper)), reader.get("/pour/made-up")
    assert real.text == made_up.text
    assert reader.send("/pour/made-up", {"begin": "1"}).status_code == 404
    assert reader.send("/taste/made-up", {"begin": "1"}).status_code == 404


def test_a_link_opens_only_its_own_door(trial):
    reader = Reader(trial.client)
    helper_secret = trial.helper.rpartition("/")[2]
    assert reader.send(f"/taste/{helper_secret}", {"begin": "1"}).status_code == 404
    taster_secret = trial.links["p1"].rpartition("/")[2]
    assert reader.send(f"/pour/{taster_secret}", {"begin": "1"}).status_code == 404


def test_the_secret_becomes_a_cookie_of_one_page(trial, taster):
    reader, path = taster
    answer = reader.send(path, {"begin": "1"})
    home, cookie = answer.headers["location"], answer.headers["set-cookie"]
    assert path.rpartition("/")[2] not in home
    for part in ("HttpOnly", "SameSite=strict", f"Path={home}"):
        assert part in cookie
    for name, value in SECRET_HEADERS.items():
        for each in (answer, reader.get(path), reader.get(home), reader.get("/taste/at/none")):
            assert each.headers[name] == value
            assert "noindex" in each.headers["x-robots-tag"]
            assert "access-control-allow-origin" not in each.headers
    assert Reader(trial.kitchen.client).get("/taste/at/0123").status_code == 404


def test_the_page_is_lost_without_its_cookie(kitchen, trial, taster, join, sqlite):
    reader, path = taster
    home = begun(reader, path)
    stranger = Reader(join(sqlite, sealing_key=kitchen.client.app.app.state.settings.sealing_key))
    assert stranger.get(home).status_code == 404


def test_a_taster_sees_codes_and_nothing_else(taster, trial):
    reader, path = taster
    seen = reader.page(begun(reader, path))
    turn = trial.turn()
    chosen = [each["value"] for each in seen.each("input") if each.get("name") == "chosen"]
    assert chosen == turn["codes"]
    for giveaway in ("Left cloudy", "Cleared for a week", "grain wash", "control", "treatment"):
        assert giveaway not in seen.text
    text = reader.get(begun(reader, path)).text
    assert text.index('name="notes"') < text.index('name="chosen"')
    assert f"words.{turn['codes'][0]}" in text
    assert "g of pure alcohol" in seen.text


def test_answers_are_kept_once_and_for_good(taster, trial):
    reader, path = taster
    home = begun(reader, path)
    fields, answer = answered(reader, home)
    assert answer.status_code == 303
    assert reader.send(home, fields).status_code == 303
    assert trial.turn()["answered"] == 1
    other = next(code for code in trial_codes(fields, reader, home) if code != fields["chosen"])
    refused = reader.send(home, {**fields, "chosen": other})
    assert refused.status_code == 422
    assert "another answer, which stands" in refused.text


def trial_codes(fields, reader, home):
    return [fields["chosen"], "000"]


def test_between_sets_nothing_of_the_next_is_shown(taster, trial):
    reader, path = taster
    home = begun(reader, path)
    _, answer = answered(reader, home)
    seen = reader.page(answer.headers["location"])
    assert "Rinse with water" in seen.text
    assert not set(trial.turn()["codes"]) & set(re.findall(r"\d{3}", seen.text))
    answered(reader, home)
    assert "This trial has ended" in reader.page(home).text


def test_no_choice_is_a_fault_and_loses_nothing(taster):
    reader, path = taster
    home = begun(reader, path)
    seen = reader.page(home)
    codes = [each["value"] for each in seen.each("input") if each.get("name") == "chosen"]
    fields = {**dict(seen.fields), "notes": "like pears", f"words.{codes[1]}": "fruity", "confidence": "guess"}
    fields.pop("chosen", None)
    answer = reader.send(home, fields)
    assert answer.status_code == 422
    again = Seen(answer.text)
    assert again.field("notes") == "like pears"
    assert again.field("confidence") == "guess"
    assert (f"words.{codes[1]}", "fruity") in again.fields


def test_an_answer_needs_the_mark_of_its_page(taster, trial):
    reader, path = taster
    home = begun(reader, path)
    _, answer = answered(reader, home, mark="0" * 64)
    assert answer.status_code == 403
    assert trial.turn()["answered"] == 0


def test_opening_the_pour_sheet_is_written_down(trial):
    reader = Reader(trial.client)
    home = begun(reader, page_of(trial.helper))
    seen = reader.page(home)
    sheet = trial.client.get(trial.helper).json()
    for pour in sheet["presentations"]:
        for glass in pour["glasses"]:
            assert glass["code"] in seen.text
    assert "Left cloudy" in seen.text
    assert openings(trial) == 2


def test_the_helper_ends_a_trial_early_by_the_pages_own_form(trial):
    reader = Reader(trial.client)
    home = begun(reader, page_of(trial.helper))
    mark = reader.page(home).field("mark")
    assert reader.send(home, {"mark": "x"}).status_code == 403
    assert reader.send(home, {"mark": mark}).status_code == 303
    assert "This trial has ended" in reader.page(home).text
    assert trial.client.get(f"/v1/trials/{trial.id}").json()["closed_by"] == "helper"


def opened_by_form(kitchen: Kitchen, **changes):
    reader = Reader(kitchen.client)
    reader.send("/take-part/sign-in", {"token": kitchen.owner.token})
    path = f"/take-part/replications/{kitchen.replication}/trials"
    fields = dict(reader.page(path).fields) | {"presentations": "2", "tasters": "p1, p2", **changes}
    return reader, path, reader.send(path, fields)


def test_links_are_shown_once_as_text_and_as_codes(kitchen):
    reader, path, answer = opened_by_form(kitchen)
    assert answer.status_code == 200
    links = re.findall(r"<code>(http://[^<]+)</code>", answer.text)
    assert len(links) == 3
    assert len(Seen(answer.text).each("svg")) == 3
    for name, value in SECRET_HEADERS.items():
        assert answer.headers[name] == value
    for link in links:
        address = link.removeprefix("http://service.test")
        assert address.startswith(("/pour/", "/taste/"))
        assert reader.send(address, {"begin": "1"}).status_code == 303
        assert link not in reader.get(path).text


def test_links_carry_the_public_url(sqlite, join):
    kitchen = Kitchen(join(sqlite, sealing_key=_key(), public_url="https://pool.example"))
    reader = Reader(kitchen.client)
    path = f"/take-part/replications/{kitchen.replication}/trials"
    reader.send("/take-part/sign-in", {"token": kitchen.owner.token})
    # The cookie is for https alone, and the tests' client speaks http: carry it by hand.
    token = {"Cookie": f"__Host-manybatch={kitchen.owner.token}", "Host": "evil.example"}
    mark = dict(Seen(reader.get("/take-part", **token).text).fields)["mark"]
    fields = {"mark": mark, "method": "triangle", "control": "control", "treatment": "treatment"}
    answer = reader.send(path, {**fields, "presentations": "1", "tasters": "p1"}, **token)
    assert "https://pool.example/taste/" in answer.text
    assert "evil.example" not in answer.text


def _key():
    from pydantic import SecretStr  # noqa: PLC0415

    return SecretStr("0123456789abcdef" * 4)


def test_an_opening_that_cannot_be_taken_is_refused_beside_its_field(kitchen):
    _, _, answer = opened_by_form(kitchen, tasters="p1, p1")
    assert answer.status_code == 422
    assert "a taster stands twice" in Seen(answer.text).text
    assert kitchen.client.get("/v1/ledger/head").json()["size"] == 3


def test_the_owner_ends_a_trial_early(kitchen):
    reader, path, _ = opened_by_form(kitchen)
    seen = reader.page(path)
    close = re.search(r'action="([^"]+/close)"', reader.get(path).text)[1]
    assert reader.send(close, {"mark": seen.field("mark")}).status_code == 303
    assert "closed" in reader.page(path).text


def test_somebody_elses_trials_are_not_found(kitchen):
    reader = Reader(kitchen.client)
    reader.begin()
    assert reader.get(f"/take-part/replications/{kitchen.replication}/trials").status_code == 404
