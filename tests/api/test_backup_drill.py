"""A copy taken while others write, and the record served again from it."""

import subprocess
import sys
import threading
from pathlib import Path

from tests.api.community import Community, replication

PROJECT = Path(__file__).parents[2]


def manybatch(*arguments, url):
    command = [sys.executable, "-m", "service", *map(str, arguments)]
    return subprocess.run(
        command,
        cwd=PROJECT,
        env={"MANYBATCH_DATABASE_URL": url, "PATH": "", "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )


class Writers:
    """Several people who submit without a pause, until they are told to stop; what was acknowledged, in order."""

    def __init__(self, server, people, slug):
        self.acknowledged, self.failed = [], []
        self._going = True
        self._threads = [
            threading.Thread(target=self._write, args=(server, person, slug, number))
            for number, person in enumerate(people)
        ]

    def _write(self, server, person, slug, number):
        turn = 0
        with server.client() as client:
            while self._going:
                turn += 1
                document = replication(slug, (turn % 12, 12), notes=f"{number} {turn}")
                answer = client.post("/v1/replications", json=document, headers=person.headers)
                (self.acknowledged if answer.status_code == 201 else self.failed).append(answer.json())

    def __enter__(self):
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_):
        self._going = False
        for thread in self._threads:
            thread.join()


def ids(client):
    found, page = set(), {"next": "/v1/replications?limit=200"}
    while page["next"]:
        page = client.get(page["next"]).json()
        found |= {each["id"] for each in page["items"]}
    return found


def test_a_copy_taken_while_others_write_is_whole_and_can_be_served(serve, sqlite_url, tmp_path):
    server = serve(sqlite_url)
    with server.client() as client:
        community = Community(client)
        people = [community.person() for _ in range(4)]
        slug = community.asked(people[0])
        copies = []
        with Writers(server, people, slug) as writers:
            for number in range(2):
                while len(writers.acknowledged) < 12 * (number + 1):
                    threading.Event().wait(0.01)
                before = {each["id"] for each in writers.acknowledged}
                copy = tmp_path / f"copy-{number}.db"
                done = manybatch("backup", copy, url=sqlite_url)
                assert done.returncode == 0, done.stderr
                copies.append((copy, before))
        assert writers.failed == []
        head = client.get("/v1/ledger/head").json()
    for copy, before in copies:
        verified = manybatch("verify", copy, url="sqlite:///nowhere.db")
        assert verified.returncode == 0, verified.stderr
        restored = serve(f"sqlite:///{copy}")
        with restored.client() as client:
            kept = ids(client)
            assert before <= kept
            print(
                f"{len(before)} acknowledged before the copy, all found in it; {len(kept) - len(before)} more came in"
            )
            size = client.get("/v1/ledger/head").json()
            assert size["size"] < head["size"]
            # The record that went on begins with what was copied: nothing was changed in between.
            with server.client() as original:
                proof = original.get(f"/v1/ledger/consistency?from={size['size']}").json()
            assert proof["first_root_hash"] == size["root_hash"]
            # A token is good in the copy too, and life goes on there.
            again = Community(client).submitted(people[0], replication(slug, (1, 12), notes="after the restore"))
            assert again["id"] in ids(client)


def test_two_servers_share_a_file(serve, sqlite_url):
    servers = [serve(sqlite_url) for _ in range(2)]
    with servers[0].client() as first, servers[1].client() as second:
        community = Community(first)
        people = [community.person() for _ in range(4)]
        slug = community.asked(people[0])
        with Writers(servers[0], people[:2], slug) as here, Writers(servers[1], people[2:], slug) as there:
            while min(len(here.acknowledged), len(there.acknowledged)) < 12:
                threading.Event().wait(0.01)
        assert here.failed == there.failed == []
        acknowledged = {each["id"] for each in here.acknowledged + there.acknowledged}
        print(f"{len(here.acknowledged)} and {len(there.acknowledged)} acknowledged, {len(ids(first))} found")
        assert ids(first) == ids(second) == acknowledged
        heads = [client.get("/v1/ledger/head").json() for client in (first, second)]
        assert heads[0] == heads[1]
        assert heads[0]["size"] == 2 + len(acknowledged)
        evidence = [client.get(f"/v1/questions/{slug}/evidence").json() for client in (first, second)]
        assert evidence[0] == evidence[1]
        assert evidence[0]["counted"]["replications"] == len(acknowledged)
    assert manybatch("verify", url=sqlite_url).returncode == 0
