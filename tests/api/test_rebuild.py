"""Everything that can happen to a question, taken away as a data package and put into an empty record."""

import csv
import io
import zipfile

import pytest
from pydantic import SecretStr

from service.intake.package_loading import load_packages
from service.record import archive
from service.record.database import Database
from service.record.verify import verify
from tests.api.community import registration, replication
from tests.api.kitchen import Kitchen

REASON = {"category": "mixed_up", "reason": "the buckets were swapped"}
OWN = {"as_of", "cite_as"}


def amended(client, person, kept, document, **changes):
    body = {**document, **changes, "reason": "mistyped"}
    answer = client.put(
        f"/v1/replications/{kept['id']}", json=body, headers={**person.headers, "If-Match": f'"r{kept["revision"]}"'}
    )
    assert answer.status_code == 200, answer.text
    return answer.json()


def differences(one, other, path=""):
    """Name the places in which two answers differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        return [
            each
            for name in one.keys() | other.keys()
            for each in differences(one.get(name), other.get(name), f"{path}/{name}")
        ]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return [
            each for n, pair in enumerate(zip(one, other, strict=True)) for each in differences(*pair, f"{path}/{n}")
        ]
    return [] if one == other else [(path, one, other)]


def done(answer):
    assert answer.status_code in {200, 201, 204}, answer.text
    return answer


@pytest.fixture
def lived(client, community, steward):
    """A question that has seen every kind of act, with another one merged into it."""
    people = [community.person() for _ in range(8)]
    slug, other = community.asked(people[0]), community.asked(people[1])
    community.protocol(people[0], slug, summary="A second version.")
    kept = community.submitted(people[0], replication(slug, (9, 12)))
    amended(client, people[0], kept, replication(slug, (10, 12)))
    taken_out = community.submitted(people[1], replication(slug, (12, 12)))
    done(client.post(f"/v1/replications/{taken_out['id']}/retract", json=REASON, headers=steward.headers))
    asked_back = community.submitted(people[2], replication(slug, (4, 12)))
    done(client.post(f"/v1/replications/{asked_back['id']}/withdraw", json=REASON, headers=people[2].headers))
    begun = community.submitted(people[3], registration(slug))
    done(client.post(f"/v1/replications/{begun['id']}/withdraw", json=REASON, headers=people[3].headers))
    community.submitted(people[3], registration(slug, notes="never told", plan={"presentations": 20}))
    first = community.submitted(people[4], registration(slug))
    first = amended(client, people[4], first, registration(slug, kitchen="a barn"))
    done(client.post(f"/v1/replications/{first['id']}/submit", headers=people[4].headers))
    done(
        client.post(f"/v1/questions/{slug}/reports", json={"leans": "control", "text": "x"}, headers=people[5].headers)
    )
    community.submitted(people[5], replication(other, (7, 12), protocol_version=1))
    done(client.post(f"/v1/contributors/{people[4].id}/vouch", headers=steward.headers))
    done(
        client.post(f"/v1/questions/{other}/merge", json={"into": slug, "reason": "the same"}, headers=steward.headers)
    )
    community.submitted(people[6], replication(slug, (6, 12), protocol_version=2))
    return slug, other


def test_a_question_that_has_seen_everything_is_built_again(client, lived, join, migrated_sqlite, tmp_path):
    slug, other = lived
    packages = []
    for each in lived:
        packages.append(tmp_path / f"{each}.zip")
        packages[-1].write_bytes(client.get(f"/v1/questions/{each}/data-package").content)
    copy = tmp_path / "copy.db"
    copy.write_bytes(migrated_sqlite.read_bytes())
    rebuilt = Database(f"sqlite:///{copy}")
    restored = load_packages(rebuilt, packages)
    assert (restored.refused, restored.passed_over) == ([], 0)
    again = join(rebuilt)
    for each, query in ((slug, ""), (slug, "?vouched=true"), (slug, "?protocol_version=2"), (other, "")):
        was, now = (side.get(f"/v1/questions/{each}/evidence{query}").json() for side in (client, again))
        for name in OWN:
            was.pop(name), now.pop(name)
        assert now == was, differences(was, now)
    was, now = (side.get("/v1/replications?limit=200").json()["items"] for side in (client, again))
    assert [(each["id"], each["state"], each["revision"]) for each in now] == [
        (each["id"], each["state"], each["revision"]) for each in was
    ]
    for each in was:
        histories = [side.get(f"/v1/replications/{each['id']}/revisions").json()["items"] for side in (client, again)]
        for history in histories:
            for revision in history:
                revision.pop("position")
        assert histories[0] == histories[1]
    with rebuilt.read() as session:
        assert verify(session).whole
    rebuilt.dispose()


def assert_listed(package, trials):
    """The package's table of trials says of each sealed one what it says itself."""
    with zipfile.ZipFile(package) as opened:
        rows = list(csv.DictReader(io.StringIO(opened.read("trials.csv").decode(), newline="")))
    assert [row["sealed"] for row in rows] == ["true"] * len(trials)
    for number, (row, trial) in enumerate(zip(rows, trials, strict=True), start=1):
        shown = trial.shown()
        named = {name: str(shown["result"][name]) for name in ("planned", "presented", "correct")}
        assert row == row | named
        assert (row["trial"], row["number"], row["method"]) == (trial.id, str(number), shown["method"])
        assert (row["opened_position"], row["closed_position"]) == tuple(
            map(str, (shown["ledger"][each] for each in ("opened", "closed")))
        )
        assert (row["ended_by"], row["key_held_by"]) == (shown["closed_by"] or "tasters", "helper")


def test_a_sealed_trial_stays_what_it_was(database, join, migrated_sqlite, tmp_path):
    client = join(database, sealing_key=SecretStr("a secret that is long enough for a test"))
    kitchen = Kitchen(client)
    finished, ended = kitchen.open(tasters=["p1", "p2"], presentations=2), kitchen.open(presentations=3)
    client.get(finished.helper)
    finished.finish()
    ended.guess()
    done(client.post(f"/v1/trials/{ended.id}/close", headers=kitchen.owner.headers))
    done(kitchen.submit())
    package = tmp_path / "package.zip"
    package.write_bytes(client.get(f"/v1/questions/{kitchen.slug}/data-package").content)
    assert archive.check(package).whole
    assert_listed(package, [finished, ended])
    copy = tmp_path / "copy.db"
    copy.write_bytes(migrated_sqlite.read_bytes())
    rebuilt = Database(f"sqlite:///{copy}")
    restored = load_packages(rebuilt, [package])
    assert (restored.refused, restored.passed_over) == ([], 0)
    assert load_packages(rebuilt, [package]).acts == 0
    again = join(rebuilt)
    for trial in (finished, ended):
        was, now = (side.get(f"/v1/trials/{trial.id}").json() for side in (client, again))
        for each in (was, now):
            each.pop("ledger")
        assert differences(was, now) == []
        assert now["key"] == was["key"]
    was, now = (side.get(f"/v1/questions/{kitchen.slug}/evidence?sealed=true").json() for side in (client, again))
    for name in OWN:
        was.pop(name), now.pop(name)
    assert now == was, differences(was, now)
    assert now["counted"]["replications"] == 1
    # A link into the record that it came from leads nowhere here.
    assert again.get(finished.helper).status_code == 404
    rebuilt.dispose()
