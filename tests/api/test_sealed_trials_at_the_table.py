"""Two tasters and a helper, over real sockets, on two servers of one record at once."""

import hashlib
import json
import random
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from itertools import cycle

import pytest

from tests import postgres
from tests.api.kitchen import Kitchen
from tests.server import start

SEALING_KEY = "0123456789abcdef" * 4
SETS = 12


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def workers(request, tmp_path_factory):
    """Two processes that know of each other only by the record, and by the secret that they share."""
    folder = tmp_path_factory.mktemp("workers")
    with ExitStack() as stack:
        if request.param == "sqlite":
            record = folder / "record.db"
            record.write_bytes(request.getfixturevalue("migrated_sqlite").read_bytes())
            url = f"sqlite:///{record}"
        else:
            url = request.getfixturevalue("migrated_postgres")
            stack.callback(postgres.empty, url)
        servers = [stack.enter_context(start(url, folder, SEALING_KEY=SEALING_KEY)) for _ in range(2)]
        yield [stack.enter_context(server.client()) for server in servers]


def sit(workers, link, seed, sets, *, hesitates=False):
    """Taste and answer, each time through the other server; whoever hesitates sends each answer twice."""
    luck = random.Random(seed)  # noqa: S311  a taster who guesses guards nothing
    turns = cycle(workers)
    given = []
    for _ in range(sets):
        turn = next(turns).get(link).json()
        body = {"presentation": turn["presentation"], "chosen_codes": [luck.choice(turn["codes"])]}
        first = next(turns).post(f"{link}/answers", json=body)
        assert first.status_code == 200, first.text
        if hesitates:
            again = next(turns).post(f"{link}/answers", json=body)
            assert (again.json(), again.headers["idempotent-replayed"]) == (first.json(), "true")
        given.append(body)
    return given


def correct(sheet, taster, given):
    """Score answers by the pour sheet: in a triangle the odd glass is the only one of its arm."""
    count = 0
    for answer in given:
        glasses = next(
            each["glasses"]
            for each in sheet["presentations"]
            if (each["taster"], each["presentation"]) == (taster, answer["presentation"])
        )
        arms = [glass["arm"] for glass in glasses]
        odd = next(glass["code"] for glass in glasses if arms.count(glass["arm"]) == 1)
        count += answer["chosen_codes"] == [odd]
    return count


def committed_to(seen):
    canonical = json.dumps(seen["key"], sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    return hashlib.sha256(bytes.fromhex(seen["salt"]) + canonical).hexdigest()


def test_two_trials_at_once_one_finished_and_one_closed_early(workers):
    kitchen = Kitchen(workers[0])
    whole = kitchen.open(tasters=["p1", "p2"], presentations=SETS)
    early = kitchen.open(tasters=["p3", "p4"], presentations=SETS)
    sheets = [worker.get(trial.helper).json() for worker, trial in zip(workers, (whole, early), strict=True)]
    sittings = [
        (whole.links["p1"], 1, SETS, True),
        (whole.links["p2"], 2, SETS, False),
        (early.links["p3"], 3, SETS, False),
        (early.links["p4"], 4, 5, False),
    ]
    with ThreadPoolExecutor(4) as pool:
        running = [
            pool.submit(sit, workers[number % 2 :] + workers[: number % 2], link, seed, sets, hesitates=twice)
            for number, (link, seed, sets, twice) in enumerate(sittings)
        ]
        p1, p2, p3, p4 = (each.result() for each in running)
    progress = workers[1].get(f"/v1/trials/{early.id}").json()
    assert (progress["state"], progress["answered"], progress["key"]) == ("open", SETS + 5, None)
    assert workers[1].post(f"{early.helper}/close").json()["closed_by"] == "helper"

    finished, closed = (workers[0].get(f"/v1/trials/{trial.id}").json() for trial in (whole, early))
    assert (finished["state"], closed["state"]) == ("finished", "closed")
    expected = [
        {"assessor": "p1", "presented": SETS, "correct": correct(sheets[0], "p1", p1)},
        {"assessor": "p2", "presented": SETS, "correct": correct(sheets[0], "p2", p2)},
        {"assessor": "p3", "presented": SETS, "correct": correct(sheets[1], "p3", p3)},
        {"assessor": "p4", "presented": 5, "correct": correct(sheets[1], "p4", p4)},
    ]
    assert finished["result"]["assessors"] == expected[:2]
    assert closed["result"]["assessors"] == expected[2:]
    for trial, seen in ((whole, finished), (early, closed)):
        assert committed_to(seen) == seen["key_commitment"] == trial.opened["key_commitment"]

    submitted = kitchen.submit()
    assert submitted.status_code == 200, submitted.text
    stopped = next(each for each in submitted.json()["report"]["confounds"] if each["name"] == "stopped_early")
    assert stopped["numbers"] == {"planned": 2 * SETS, "presented": SETS + 5}
    assert "closed by its helper" in stopped["detail"]

    studies = kitchen.community.evidence(kitchen.slug)["perceivable_difference"]["studies"]
    assert [(each["presented"], each["correct"], each["sealed"], each["registered"]) for each in studies] == [
        (2 * SETS, expected[0]["correct"] + expected[1]["correct"], True, True),
        (SETS + 5, expected[2]["correct"] + expected[3]["correct"], True, True),
    ]
    assert ["stopped_early" in each["flags"] for each in studies] == [False, True]
    assert all("several_tasters" in each["flags"] for each in studies)


def test_the_same_answer_through_both_servers_at_once_is_one(workers):
    trial = Kitchen(workers[0]).open(presentations=6)
    link = trial.links["p1"]
    with ThreadPoolExecutor(4) as pool:
        for presentation in range(1, 7):
            body = {"presentation": presentation, "chosen_codes": trial.turn()["codes"][:1]}
            send = lambda worker, body=body: worker.post(f"{link}/answers", json=body)  # noqa: E731  four times below
            answers = list(pool.map(send, [*workers, *workers]))
            assert {answer.status_code for answer in answers} == {200}
            assert len({answer.text for answer in answers}) == 1
            assert sum("idempotent-replayed" in answer.headers for answer in answers) == 3
    assert workers[1].get(f"/v1/trials/{trial.id}").json()["answered"] == 6
