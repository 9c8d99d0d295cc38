import hashlib
import json

import pytest
from pydantic import SecretStr

from service.record.database import Database
from tests.api.kitchen import Kitchen

SEALING_KEY = SecretStr("0123456789abcdef" * 4)


@pytest.fixture
def client(database, join):
    return join(database, sealing_key=SEALING_KEY)


@pytest.fixture
def sqlite_client(sqlite, join):
    return join(sqlite, sealing_key=SEALING_KEY)


@pytest.fixture
def kitchen(client):
    return Kitchen(client)


@pytest.fixture
def lone_kitchen(sqlite_client):
    """On SQLite alone, for what doesn't hang on the database."""
    return Kitchen(sqlite_client)


def is_problem(answer, status, slug):
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    problem = answer.json()
    assert (answer.status_code, problem["type"]) == (status, f"/problems/{slug}"), answer.text
    return problem


def test_opening_answers_with_links_a_commitment_and_the_alcohol(kitchen):
    answer = kitchen.send_opening(tasters=["p1", "p2"], presentations=12)
    assert answer.status_code == 201
    opened = answer.json()
    assert answer.headers["location"] == f"/v1/trials/{opened['id']}"
    assert answer.headers["cache-control"] == "private, no-store"
    assert (opened["planned"], opened["presentations"]) == (24, 12)
    assert len(bytes.fromhex(opened["key_commitment"])) == 32
    links = [opened["helper_link"], *(each["taster_link"] for each in opened["tasters"])]
    assert [each["assessor"] for each in opened["tasters"]] == ["p1", "p2"]
    assert opened["helper_link"].startswith("/v1/pour/")
    assert all(link.startswith("/v1/taste/") for link in links[1:])
    secrets = {link.rsplit("/", 1)[1] for link in links}
    assert len(secrets) == 3
    assert all(len(secret) >= 43 for secret in secrets)
    assert opened["alcohol"]["swallowed_g_per_day"] == pytest.approx(12 * 3 * 5 * 0.2 * 0.7893)
    assert all(unit["source"] for unit in opened["alcohol"]["national_units"])
    assert opened["cautions"]


def test_links_begin_with_the_public_url(sqlite, join):
    kitchen = Kitchen(join(sqlite, sealing_key=SEALING_KEY, public_url="https://pool.example"))
    opened = kitchen.open().opened
    assert opened["helper_link"].startswith("https://pool.example/v1/pour/")
    assert opened["tasters"][0]["taster_link"].startswith("https://pool.example/v1/taste/")


def test_an_idempotency_key_does_not_replay_secrets(lone_kitchen):
    headers = {**lone_kitchen.owner.headers, "Idempotency-Key": "again"}
    body = {"method": "two_afc", "control": "control", "treatment": "treatment", "presentations": 1, "tasters": ["p"]}
    url = f"/v1/replications/{lone_kitchen.replication}/trials"
    first, second = (lone_kitchen.client.post(url, headers=headers, json=body).json() for _ in range(2))
    assert first["id"] != second["id"]
    assert first["helper_link"] != second["helper_link"]


def test_a_trial_runs_from_the_first_code_to_a_submission_in_the_evidence(kitchen):
    trial = kitchen.open(tasters=["p1", "p2"])
    sheet = kitchen.client.get(trial.helper)
    assert sheet.status_code == 200
    assert {glass["arm"] for each in sheet.json()["presentations"] for glass in each["glasses"]} == {
        "control",
        "treatment",
    }
    is_problem(kitchen.submit(), 409, "trial-open")
    trial.finish()
    submitted = kitchen.submit()
    assert submitted.status_code == 200, submitted.text
    sealed = submitted.json()["sealed_trials"]
    assert [(each["id"], each["state"], each["presented"]) for each in sealed] == [(trial.id, "finished", 6)]
    assert submitted.json()["report"]["trials"][0]["sealed"] is True
    back = kitchen.client.get(f"/v1/replications/{kitchen.replication}").json()
    assert back["sealed_trials"] == sealed
    evidence = kitchen.community.evidence(kitchen.slug)["perceivable_difference"]
    assert [(each["presented"], each["sealed"], each["registered"]) for each in evidence["studies"]] == [
        (6, True, True)
    ]
    assert evidence["robustness"]["sealed_only"]["presentations"] == 6


def test_the_commitment_verifies_from_the_answer_alone(kitchen):
    trial = kitchen.open(tasters=["p1", "p2"])
    trial.finish()
    seen = trial.shown()
    # RFC 8785 for a key of text and small integers: sorted keys, no spaces.
    canonical = json.dumps(seen["key"], sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    committed = hashlib.sha256(bytes.fromhex(seen["salt"]) + canonical).hexdigest()
    assert committed == seen["key_commitment"] == trial.opened["key_commitment"]
    written = json.dumps(seen["ledger"]["opened_content"], sort_keys=True, separators=(",", ":")).encode()
    position = seen["ledger"]["opened"]
    entry = kitchen.client.get("/v1/ledger", params={"after": position - 1, "limit": 1}).json()["items"][0]
    salted = hashlib.sha256(bytes.fromhex(seen["ledger"]["opened_salt"]) + written).hexdigest()
    assert (entry["kind"], entry["subject"], entry["content_hash"]) == ("trial-opened", trial.id, salted)
    assert seen["ledger"]["opened_content"]["key_commitment"] == committed
    # Anybody can score the answers by the key, and draw the key again from its seed.
    right = {(each["taster"], each["presentation"]): each["right"] for each in seen["key"]["presentations"]}
    for answer in seen["answers"]:
        assert answer["right"] is (answer["chosen_codes"] in right[answer["taster"], answer["presentation"]])
    drawn = kitchen.client.post(
        "/v1/calculators/tasting/serving-plan",
        json={
            "method": "triangle",
            "presentations": 3,
            "arms": ["control", "treatment"],
            "tasters": 2,
            "seed": seen["key"]["seed"],
        },
    )
    codes = [
        [glass["code"] for glass in each["glasses"]]
        for sheet in drawn.json()["result"]["tasters"]
        for each in sheet["presentations"]
    ]
    assert codes == [[glass["code"] for glass in each["glasses"]] for each in seen["key"]["presentations"]]


def test_every_refusal_of_an_answer_has_a_type_of_its_own(kitchen):
    trial = kitchen.open(presentations=2)
    codes = trial.turn()["codes"]
    is_problem(trial.answer(2, codes[:1]), 409, "out-of-turn")
    problem = is_problem(trial.answer(1, ["000"]), 422, "code-not-served")
    assert problem["errors"][0]["pointer"] == "/chosen_codes/0"
    assert is_problem(trial.answer(1, codes[:2]), 422, "invalid-input")["errors"][0]["pointer"] == "/chosen_codes"
    assert is_problem(trial.answer(1, []), 422, "invalid-input")["errors"][0]["pointer"] == "/chosen_codes"
    first = trial.answer(1, codes[:1], confidence=40)
    assert first.status_code == 200
    again = trial.answer(1, codes[:1], confidence=40)
    assert (again.status_code, again.json()) == (200, first.json())
    assert "idempotent-replayed" not in first.headers
    assert again.headers["idempotent-replayed"] == "true"
    is_problem(trial.answer(1, codes[1:2]), 409, "answer-is-final")
    is_problem(trial.answer(1, codes[:1], confidence=41), 409, "answer-is-final")
    second = trial.turn()["codes"]
    assert kitchen.client.post(f"{trial.helper}/close").json()["closed_by"] == "helper"
    is_problem(trial.answer(2, second[:1]), 409, "trial-ended")
    assert trial.answer(1, codes[:1], confidence=40).json() == first.json()


def test_unknown_forged_and_swapped_links_are_all_the_same_to_a_stranger(lone_kitchen):
    trial = lone_kitchen.open()
    client = lone_kitchen.client
    taster, helper = trial.links["p1"].rsplit("/", 1)[1], trial.helper.rsplit("/", 1)[1]
    answer = {"presentation": 1, "chosen_codes": ["345"]}
    said = set()
    for secret in ("x", "0" * 43, helper, taster[:-1], taster.swapcase(), "%00", "é", "a" * 500):
        said.add(is_problem(client.get(f"/v1/taste/{secret}"), 404, "not-found")["detail"])
        said.add(is_problem(client.post(f"/v1/taste/{secret}/answers", json=answer), 404, "not-found")["detail"])
    for secret in ("x", taster, helper[:-1]):
        said.add(is_problem(client.get(f"/v1/pour/{secret}"), 404, "not-found")["detail"])
        said.add(is_problem(client.post(f"/v1/pour/{secret}/close"), 404, "not-found")["detail"])
    assert len(said) == 1
    assert trial.shown()["state"] == "open"


def test_answers_to_secret_links_are_kept_by_nobody_and_read_from_nowhere_else(lone_kitchen):
    trial = lone_kitchen.open()
    elsewhere = {"Origin": "https://elsewhere.example"}
    for url in (trial.helper, trial.links["p1"]):
        answer = lone_kitchen.client.get(url, headers=elsewhere)
        assert answer.headers["cache-control"] == "private, no-store"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "noindex" in answer.headers["x-robots-tag"]
        assert "access-control-allow-origin" not in answer.headers
        assert "etag" not in answer.headers


def test_only_the_owner_opens_and_closes(kitchen):
    other = kitchen.community.person()
    body = {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 1, "tasters": ["p"]}
    url = f"/v1/replications/{kitchen.replication}/trials"
    is_problem(kitchen.client.post(url, headers=other.headers, json=body), 404, "not-found")
    is_problem(kitchen.client.post(url, json=body), 401, "not-signed-in")
    trial = kitchen.open()
    close = f"/v1/trials/{trial.id}/close"
    is_problem(kitchen.client.post(close), 401, "not-signed-in")
    is_problem(kitchen.client.post(close, headers=other.headers), 404, "not-found")
    trial.guess()
    closed = kitchen.client.post(close, headers=kitchen.owner.headers)
    assert (closed.status_code, closed.json()["closed_by"], closed.json()["result"]["presented"]) == (200, "owner", 1)
    assert kitchen.client.post(close, headers=kitchen.owner.headers).json() == closed.json()
    kitchen.submit()
    is_problem(kitchen.client.post(close, headers=other.headers), 403, "not-yours")


def test_trials_are_opened_only_while_the_replication_is_registered(kitchen):
    trial = kitchen.open()
    trial.finish()
    assert kitchen.submit().status_code == 200
    problem = is_problem(kitchen.send_opening(), 409, "conflict")
    assert "submitted" in problem["detail"]


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"control": "left"}, "/control"),
        ({"control": "treatment", "treatment": "control"}, "/treatment"),
        ({"method": "quadrangle"}, "/method"),
        ({"presentations": 0}, "/presentations"),
        ({"tasters": ["p1", "p1"]}, "/tasters"),
        ({"tasters": [7]}, "/tasters/0"),
        ({"treatment": "control", "preference": True}, "/preference"),
        ({"pour_ml": "68 degF"}, "/pour_ml"),
        ({"key": {}}, "/key"),
    ],
)
def test_what_cannot_be_opened_is_pointed_at(lone_kitchen, changes, pointer):
    problem = is_problem(lone_kitchen.send_opening(**changes), 422, "invalid-input")
    assert [error["pointer"] for error in problem["errors"]] == [pointer]


def test_sealed_trials_cannot_be_typed(lone_kitchen):
    body = {"question": lone_kitchen.slug, "protocol_version": 1, "sealed_trials": []}
    answer = lone_kitchen.client.post("/v1/replications", headers=lone_kitchen.owner.headers, json=body)
    assert is_problem(answer, 422, "invalid-input")["errors"][0]["pointer"] == "/sealed_trials"


def test_a_trial_that_never_was_is_not_found(lone_kitchen):
    is_problem(lone_kitchen.client.get("/v1/trials/01a2123d-14dc-76e1-b40f-f89e01198aff"), 404, "not-found")
    is_problem(lone_kitchen.client.get("/v1/trials/1"), 404, "not-found")


def test_an_ended_trial_is_answered_from_a_tag(lone_kitchen):
    trial = lone_kitchen.open()
    running = lone_kitchen.client.get(f"/v1/trials/{trial.id}")
    assert "etag" not in running.headers
    assert running.headers["cache-control"] == "private, no-store"
    trial.finish()
    ended = lone_kitchen.client.get(f"/v1/trials/{trial.id}")
    again = lone_kitchen.client.get(f"/v1/trials/{trial.id}", headers={"If-None-Match": ended.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_withdrawing_before_any_answer_is_out_and_after_one_only_an_ask(kitchen):
    mishap = {"category": "mixed_up", "reason": "the jugs were swapped"}
    trial = kitchen.open()
    trial.guess()
    url = f"/v1/replications/{kitchen.replication}/withdraw"
    asked = kitchen.client.post(url, headers=kitchen.owner.headers, json=mishap).json()
    assert (asked["state"], asked["withdrawal_asked"]) == ("registered", True)
    trial.finish()
    assert kitchen.submit().status_code == 200
    assert kitchen.community.evidence(kitchen.slug)["counted"]["presentations"] == 3


def test_sixteen_tasters_answer_at_once(kitchen):
    names = [f"p{number}" for number in range(1, 17)]
    trial = kitchen.open(tasters=names, presentations=2)
    for presentation in (1, 2):
        codes = {name: trial.turn(name)["codes"] for name in names}
        calls = [
            {
                "method": "POST",
                "url": f"{trial.links[name]}/answers",
                "json": {"presentation": presentation, "chosen_codes": codes[name][:1]},
            }
            for name in names
        ]
        assert {answer.status_code for answer in kitchen.client.together(calls)} == {200}
    seen = trial.shown()
    assert (seen["state"], seen["answered"], len(seen["answers"])) == ("finished", 32, 32)


def test_two_identical_answers_at_once_are_one(kitchen):
    trial = kitchen.open()
    body = {"presentation": 1, "chosen_codes": trial.turn()["codes"][:1]}
    call = {"method": "POST", "url": f"{trial.links['p1']}/answers", "json": body}
    answers = kitchen.client.together([call] * 6)
    assert {answer.status_code for answer in answers} == {200}
    assert len({answer.text for answer in answers}) == 1
    assert sum("idempotent-replayed" in answer.headers for answer in answers) == 5
    assert trial.shown()["answered"] == 1


@pytest.mark.postgres
def test_a_shared_host_without_a_key_is_told_what_to_set(join, postgres_url):
    database = Database(postgres_url)
    kitchen = Kitchen(join(database))
    answer = kitchen.send_opening()
    assert "MANYBATCH_SEALING_KEY" in is_problem(answer, 503, "no-sealing-key")["detail"]
    assert int(answer.headers["retry-after"]) > 0
    database.dispose()


def test_one_kitchen_without_a_key_gets_a_file_beside_its_database(sqlite, join, tmp_path):
    kitchen = Kitchen(join(sqlite))
    kitchen.open().finish()
    (file,) = tmp_path.glob("*.sealing-key")
    assert file.stat().st_mode & 0o777 == 0o600
