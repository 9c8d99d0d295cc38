"""Sixteen people who write, amend, withdraw and read for ten minutes: no gap, no loss, no answer but 2xx.

`MANYBATCH_SOAK_SECONDS` makes it shorter or longer. Run with `-m soak`.
"""

import os
import random
import threading
import time

import pytest

from service.record.database import Database
from service.record.verify import verify
from tests.api.community import Community, registration, replication
from tests.api.conftest import serve

__all__ = ["serve"]

pytestmark = pytest.mark.soak
WRITERS = 16
SECONDS = float(os.environ.get("MANYBATCH_SOAK_SECONDS", "600"))
REASON = {"category": "mixed_up", "reason": "swapped"}


class Writer(threading.Thread):
    """One person's acts, drawn from a seed; what each was answered."""

    def __init__(self, server, person, slugs, number, until):
        super().__init__()
        self.server, self.person, self.slugs, self.until = server, person, slugs, until
        self.draw = random.Random(number)  # noqa: S311  # acts of a test
        self.number, self.turn = number, 0
        self.submitted, self.entries, self.odd = [], 0, []

    def run(self):
        with self.server.client() as self.client:
            while time.monotonic() < self.until:
                self.turn += 1
                self.draw.choice(
                    [self.submit, self.submit, self.submit, self.register, self.amend, self.ask, self.read]
                )()

    def _sent(self, method, path, entries, **given):
        answer = self.client.request(method, path, headers=self.person.headers | given.pop("headers", {}), **given)
        if answer.status_code >= 300:
            self.odd.append((method, path, answer.status_code, answer.text[:300]))
            return None
        self.entries += entries
        return answer.json()

    def _document(self, make=replication):
        slug = self.draw.choice(self.slugs)
        return make(slug, notes=f"{self.number} {self.turn}", conditions={"turn": self.turn, "who": self.number})

    def submit(self):
        made = self._sent("POST", "/v1/replications", 1, json=self._document())
        if made:
            self.submitted.append(made["id"])

    def register(self):
        made = self._sent("POST", "/v1/replications", 1, json=self._document(registration))
        if made:
            self._sent("POST", f"/v1/replications/{made['id']}/submit", 1)
            self.submitted.append(made["id"])

    def amend(self):
        if not self.submitted:
            return
        name = self.draw.choice(self.submitted)
        kept = self._sent("GET", f"/v1/replications/{name}", 0)
        body = replication(kept["question"], notes=f"again {self.turn}", reason="mistyped")
        headers = {"If-Match": f'"r{kept["revision"]}"'}
        self._sent("PUT", f"/v1/replications/{name}", 1, json=body, headers=headers)

    def ask(self):
        if self.submitted:
            name = self.submitted.pop(self.draw.randrange(len(self.submitted)))
            self._sent("POST", f"/v1/replications/{name}/withdraw", 1, json=REASON)

    def read(self):
        slug = self.draw.choice(self.slugs)
        self._sent("GET", f"/v1/questions/{slug}/evidence", 0)
        self._sent("GET", "/v1/ledger/1/proof", 0)


def test_sixteen_writers_for_a_long_time(serve, database_url):
    server = serve(database_url)
    with server.client() as client:
        community = Community(client)
        people = [community.person() for _ in range(WRITERS)]
        slugs = [community.asked(people[0]) for _ in range(3)]
        until = time.monotonic() + SECONDS
        writers = [Writer(server, person, slugs, number, until) for number, person in enumerate(people)]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()
        assert [odd for writer in writers for odd in writer.odd] == []
        entries = 2 * len(slugs) + sum(writer.entries for writer in writers)
        assert client.get("/v1/ledger/head").json()["size"] == entries
        print(f"{entries} entries in {SECONDS:g} s")
    database = Database(database_url)
    with database.read() as session:
        report = verify(session)
    assert report.whole, report.problems
    assert report.size == entries
    database.dispose()
