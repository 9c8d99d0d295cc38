"""Nothing that anyone but the helper can read says who gets which glass before the end: not an answer, a refusal, a
header, a log line, the OpenAPI's every route, nor the bytes of the database."""

import json
import re
from pathlib import Path
from uuid import UUID

import pytest
from pydantic import SecretStr

from service.record import trials
from service.record.database import Database
from tests.api.kitchen import Kitchen
from tests.server import start

SEALING_KEY = "0123456789abcdef" * 4
# They end the trial, end the account or take its token, or are the helper's own: what they answer is for elsewhere.
NOT_WALKED = {
    "close_trial",
    "close_trial_as_helper",
    "read_pour_sheet",
    "replace_token",
    "revoke_token",
    "erase_me",
}
METHODS = ("get", "post", "put", "delete")


@pytest.fixture(scope="module")
def live(migrated_sqlite, tmp_path_factory):
    """A trial under way on a real server that logs all it can: one taster has answered half, the other a third."""
    folder = tmp_path_factory.mktemp("secrecy")
    record = folder / "record.db"
    record.write_bytes(migrated_sqlite.read_bytes())
    with (
        start(f"sqlite:///{record}", folder, SEALING_KEY=SEALING_KEY, LOG_LEVEL="debug") as server,
        server.client() as client,
    ):
        kitchen = Kitchen(client)
        trial = kitchen.open(tasters=["p1", "p2"], presentations=6, descriptors=["grainy"], preference=True)
        for taster, sets in (("p1", 3), ("p2", 2)):
            for _ in range(sets):
                codes = trial.turn(taster)["codes"]
                beside = {"confidence": 50, "preferred_code": codes[1], "descriptors": {codes[2]: ["grainy"]}}
                assert trial.guess(taster, **beside).status_code == 200
        yield server, trial, record


class Secrets:
    """The whole key, read as the host could, and everything by which it would show."""

    def __init__(self, file: Path, trial) -> None:
        database = Database(f"sqlite:///{file}")
        database.seal_under(SEALING_KEY)
        with database.read() as session:
            row = trials.get(session, UUID(trial.id))
            self.salt, self.key = trials.unsealed(session, row)
            tasters = trials.tasters(session, row)
            given = trials.answers(session, row)
            answered = {each.assessor: len(given.get(each.id, [])) for each in tasters}
        database.dispose()
        sets = self.key["presentations"]
        self.to_come = {
            glass["code"]
            for each in sets
            if each["presentation"] > answered[each["taster"]] + 1
            for glass in each["glasses"]
        }
        self.present = {
            each["taster"]: [glass["code"] for glass in each["glasses"]]
            for each in sets
            if each["presentation"] == answered[each["taster"]] + 1
        }
        self.links = [trial.helper, *trial.links.values()]

    def bare_in(self, text: str) -> list[str]:
        """Name what of the key and the links stands in a text as it is."""
        bare = [self.key["seed"], self.salt, *(link.rsplit("/", 1)[1] for link in self.links)]
        return [each for each in bare if each in text]

    def shown_in(self, text: str) -> list[str]:
        """Name what of the key a text gives away, in whatever words."""
        found = self.bare_in(text)
        found += [code for code in self.to_come if f'"{code}"' in text]
        found += [match[0] for match in re.finditer(r'"order":\s?"[AB]{2,4}"|"right":|"letter":', text)]
        # Where a code stands near an arm's name in one object, the pair is out.
        codes = "|".join(sorted({*self.to_come, *(code for each in self.present.values() for code in each)}))
        found += [match[0] for match in re.finditer(rf'"({codes})"[^{{}}]{{0,80}}"(control|treatment|A|B)"', text)]
        found += [match[0] for match in re.finditer(rf'"(control|treatment|A|B)"[^{{}}]{{0,80}}"({codes})"', text)]
        return found


def walk(client, trial, headers, secret):
    """Ask every operation of the OpenAPI text, and every kind of lookup that they offer."""
    kitchen = trial.kitchen
    values = {
        "slug": kitchen.slug,
        "version": "1",
        "replication_id": kitchen.replication,
        "trial_id": trial.id,
        "secret": secret,
        "position": "1",
        "contributor_id": kitchen.owner.id,
        "family": "trial",
        "name": "significance",
    }
    operations = client.get("/openapi.json").json()["paths"]
    for path, by_method in operations.items():
        url = re.sub(r"{(\w+)(?::\w+)?}", lambda match: values.get(match[1], "1"), path)
        for method in METHODS:
            operation = by_method.get(method)
            if operation is None or operation["operationId"] in NOT_WALKED:
                continue
            needed = {each["name"]: "1" for each in operation.get("parameters", ()) if each["in"] == "query"}
            body = {"json": {}} if "requestBody" in operation else {}
            yield operation["operationId"], client.request(method.upper(), url, headers=headers, **body)
            yield operation["operationId"], client.request(method.upper(), url, params=needed, headers=headers, **body)
    for url in (f"/v1/trials/{trial.id}", f"/v1/questions/{kitchen.slug}/evidence", "/v1/ledger?limit=200"):
        yield url, client.head(url, headers=headers)
        yield url, client.get(url, headers={**headers, "If-None-Match": '"t1", "e1"'})
    for page in ("/", f"/questions/{kitchen.slug}", f"/replications/{kitchen.replication}", "/metrics", "/docs"):
        yield page, client.get(page, headers=headers)
    document = {"question": kitchen.slug, "protocol_version": 1, "state": "registered"}
    owner = {**headers, "If-Match": '"r1"'}
    yield "put", client.put(f"/v1/replications/{kitchen.replication}", headers=owner, json=document)
    yield "submit", client.post(f"/v1/replications/{kitchen.replication}/submit", headers=headers)


def test_no_route_tells_the_key_to_a_stranger_the_owner_or_a_taster(live):
    server, trial, file = live
    secrets = Secrets(file, trial)
    owner = trial.kitchen.owner.headers
    tasters = [(taster, link.rsplit("/", 1)[1]) for taster, link in trial.links.items()]
    walked = set()
    with server.client() as client:
        for headers, taster, secret in (
            ({}, None, "nobody's"),
            (owner, None, "nobody's"),
            *(({}, taster, secret) for taster, secret in tasters),
        ):
            for name, answer in walk(client, trial, headers, secret):
                walked.add(name)
                # A length may be three digits by chance; that it says nothing is proved below.
                headers_seen = {key: value for key, value in answer.headers.items() if key != "content-length"}
                # Nor does a counter of answers by their status, which has three digits too.
                text = re.sub(r'status="\d{3}"', "", answer.text) + json.dumps(headers_seen)
                # The calculators know no record, and draw serving plans of their own to show.
                of_a_record = not answer.request.url.path.startswith(("/v1/calculators", "/docs"))
                found = secrets.shown_in(text) if of_a_record else secrets.bare_in(text)
                assert found == [], f"{name}: {answer.request.url}"
                if name == "read_turn" and answer.status_code == 200:
                    assert answer.json()["codes"] == secrets.present[taster]
                    for word in ("control", "treatment", "cloudy", "Cleared", "grain wash"):
                        assert word not in answer.text, word
                elif taster is None and of_a_record:
                    served = [code for codes in secrets.present.values() for code in codes if f'"{code}"' in text]
                    assert served == [], name
    assert {"read_turn", "read_trial", "submit_replication", "read_evidence", "list_ledger"} <= walked
    assert trial.shown()["state"] == "open"


def test_the_walk_would_notice_a_leak(live):
    _, trial, file = live
    secrets = Secrets(file, trial)
    sheet = trial.client.get(trial.helper).text
    assert len(secrets.shown_in(sheet)) > 10
    assert secrets.shown_in(json.dumps({"salt": secrets.salt})) == [secrets.salt]
    code = secrets.present["p1"][0]
    assert secrets.shown_in(json.dumps({"code": code, "arm": "control"}))
    assert secrets.shown_in(json.dumps({"order": "ABA"}))


def test_the_log_names_no_secret_and_no_code(live):
    server, trial, file = live
    trial.client.get(trial.helper)
    trial.client.get(f"{trial.links['p1']}x")
    secrets = Secrets(file, trial)
    log = server.log.read_text()
    assert "/v1/taste/{secret}" in log
    assert secrets.shown_in(log) == []
    assert trial.opened["key_commitment"] not in log


def test_the_bytes_of_the_database_do_not_hold_the_key(live):
    _, trial, file = live
    secrets = Secrets(file, trial)
    files = sorted(file.parent.glob("record.db*"))
    assert {"record.db", "record.db-wal"} <= {each.name for each in files}
    held = b"".join(each.read_bytes() for each in files)
    # Something of the trial is there, so that the search looks in the right place.
    assert trial.opened["key_commitment"].encode() in held
    assert bytes.fromhex(secrets.key["seed"]) not in held
    assert bytes.fromhex(secrets.salt) not in held
    assert secrets.shown_in(held.decode("latin-1")) == []
    present = [code for codes in secrets.present.values() for code in codes]
    assert [code for code in present if f'"{code}"'.encode() in held] == []
    assert b'"right"' not in held
    # With the secret left to a file, the file is the host's alone and the secret stands in no other.
    assert SEALING_KEY.encode() not in held


def test_a_right_and_a_wrong_answer_are_answered_alike(sqlite, join):
    """Status, headers, fields and length: the clock's digits aside, byte for byte."""
    kitchen = Kitchen(join(sqlite, sealing_key=SecretStr(SEALING_KEY)))
    said = []
    for want_right in (True, False):
        trial = kitchen.open(tasters=["p1", "p2"])
        with sqlite.read() as session:
            _, key = trials.unsealed(session, trials.get(session, UUID(trial.id)))
        right = {(each["taster"], each["presentation"]): each["right"][0] for each in key["presentations"]}
        answers = []
        for presentation in (1, 2, 3):
            chosen = right["p1", presentation]
            codes = trial.turn()["codes"]
            if not want_right:
                chosen = [next(code for code in codes if [code] != chosen)]
            other = [next(code for code in codes if [code] != chosen)]
            for answer in (
                trial.answer(presentation, chosen),
                trial.answer(presentation, chosen),
                trial.answer(presentation, other),
                trial.client.get(trial.links["p1"]),
                trial.client.get(f"/v1/trials/{trial.id}"),
            ):
                headers = {name: value for name, value in answer.headers.items() if name != "x-request-id"}
                answers.append((answer.status_code, headers, without_chance(answer.text)))
        said.append(answers)
    assert said[0] == said[1]


def without_chance(text):
    """Blank what differs between any two trials: times, ids, hashes, positions and codes."""
    text = re.sub(r"\d{4}-\d\d-\d\dT[\d:.]+Z", "TIME", text)
    text = re.sub(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "ID", text)
    text = re.sub(r'"opened":\d+', '"opened":N', text)
    return re.sub(r'"\d{3}"|[0-9a-f]{64}', "X", text)
