"""Sixteen people who write, amend, withdraw and read for ten minutes: no gap, no loss, no double, no answer but 2xx.

`MANYBATCH_SOAK_SECONDS` makes it shorter or longer. Run with `-m soak`; `-s` shows how it went.
"""

import os
import random
import statistics
import threading
import time
from collections import Counter

import httpx
import pytest

from service.record import ledger
from service.record.database import Database
from service.record.verify import verify
from tests.api.community import Community, registration, replication
from tests.api.conftest import serve

__all__ = ["serve"]

pytestmark = pytest.mark.soak
WRITERS = 16
PATIENCE_S = 120
SECONDS = float(os.environ.get("MANYBATCH_SOAK_SECONDS", "600"))
REPEATED = 0.1
"""How often somebody sends the same again, as if the answer had been lost."""
REASON = {"category": "mixed_up", "reason": "swapped"}


class Writer(threading.Thread):
    """One person's acts, drawn from a seed; what each was answered."""

    def __init__(self, server, person, slugs, number, until):
        super().__init__()
        self.server, self.person, self.slugs, self.until = server, person, slugs, until
        self.draw = random.Random(number)  # noqa: S311  # acts of a test
        self.number, self.turn = number, 0
        self.submitted, self.entries, self.odd = [], 0, []
        self.started, self.seconds, self.key = [], [], 0

    def run(self):
        with httpx.Client(base_url=self.server.url, timeout=PATIENCE_S) as self.client:
            while time.monotonic() < self.until:
                self.turn += 1
                self.draw.choice(
                    [self.submit, self.submit, self.submit, self.register, self.amend, self.ask, self.read]
                )()

    def _sent(self, method, path, entries, **given):
        headers = self.person.headers | given.pop("headers", {})
        if method == "POST":
            self.key += 1
            headers["Idempotency-Key"] = f"{self.number}-{self.key}"
        began = time.perf_counter()
        answer = self.client.request(method, path, headers=headers, **given)
        if entries:
            self.seconds.append(time.perf_counter() - began)
        if method == "POST" and self.draw.random() < REPEATED:
            again = self.client.request(method, path, headers=headers, **given)
            if again.content != answer.content or again.headers.get("idempotent-replayed") != "true":
                self.odd.append((method, path, "again", again.status_code, again.text[:300]))
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
            self.started.append(made["id"])
            self.submitted.append(made["id"])

    def register(self):
        made = self._sent("POST", "/v1/replications", 1, json=self._document(registration))
        if made:
            self.started.append(made["id"])
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


def submissions_in(database_url, size):
    """Verify the record; count the submissions of each replication in its ledger."""
    database = Database(database_url)
    with database.read() as session:
        report = verify(session)
        assert report.whole, report.problems
        assert report.size == size
        found = ledger.entries(session, limit=size)
    database.dispose()
    assert [entry.position for entry in found] == list(range(1, size + 1))
    return Counter(entry.subject for entry in found if entry.kind == "submission")


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
    acknowledged = [name for writer in writers for name in writer.started]
    found = submissions_in(database_url, entries)
    assert found == Counter(acknowledged)
    cuts = statistics.quantiles([each for writer in writers for each in writer.seconds], n=100)
    print(
        f"{SECONDS:g} s: {entries} entries, {len(acknowledged)} submissions acknowledged, {len(found)} found, none "
        f"twice, no gap; writes took {cuts[49] * 1e3:.0f} ms (median), {cuts[98] * 1e3:.0f} ms (p99)"
    )
