"""Cut off in the middle of many writes: what was acknowledged is kept, once, and the ledger has no gap."""

import asyncio
import threading
import time
from collections import Counter

import httpx
import pytest

from service.record.database import Database
from service.record.verify import verify
from tests.api.community import Community, replication

SUBMISSIONS = 200
ACKNOWLEDGED_BEFORE_THE_END = 60
WRITERS = 16
EACH = 6


def submit_at_once(server, calls, until=None):
    """Send everything at the same time; kill the server after `until` acknowledgements. Ids by number."""
    acknowledged = {}

    async def submit(client, number, call):
        try:
            answer = await client.post("/v1/replications", **call)
        except httpx.TransportError:
            return
        assert answer.status_code == 201, answer.text
        acknowledged[number] = answer.json()["id"]
        if until is not None and len(acknowledged) == until:
            server.kill()

    async def submit_all():
        limits = httpx.Limits(max_connections=len(calls))
        async with httpx.AsyncClient(base_url=server.url, limits=limits, timeout=60) as client:
            await asyncio.gather(*(submit(client, number, call) for number, call in enumerate(calls)))

    asyncio.run(submit_all())
    return acknowledged


def assert_the_ledger_has_no_gap(client, size):
    entries, page = [], {"next": "/v1/ledger?limit=200"}
    while page["next"]:
        page = client.get(page["next"]).json()
        entries += page["items"]
    assert [entry["position"] for entry in entries] == list(range(1, size + 1))
    assert client.get("/v1/ledger/head").json()["size"] == size
    subjects = Counter(entry["subject"] for entry in entries if entry["kind"] == "submission")
    assert set(subjects.values()) <= {1}
    return set(subjects)


def drill(serve, url):
    server = serve(url)
    with server.client() as client:
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
    calls = [
        {
            "headers": person.headers | {"Idempotency-Key": f"submission-{number}"},
            "json": replication(slug, (number % 13, 12), notes=f"number {number}"),
        }
        for number in range(SUBMISSIONS)
    ]
    acknowledged = submit_at_once(server, calls, until=ACKNOWLEDGED_BEFORE_THE_END)
    assert ACKNOWLEDGED_BEFORE_THE_END <= len(acknowledged) < SUBMISSIONS

    since = time.monotonic()
    restarted = serve(url)
    seconds = time.monotonic() - since
    with restarted.client() as client:
        size = client.get("/v1/ledger/head").json()["size"]
        kept = assert_the_ledger_has_no_gap(client, size)
        assert set(acknowledged.values()) <= kept
        # Whoever got no answer sends again: what was written after all is answered, not written again.
        again = submit_at_once(restarted, calls)
        assert len(again) == SUBMISSIONS
        assert acknowledged.items() <= again.items()
        assert kept <= set(again.values())
        assert assert_the_ledger_has_no_gap(client, 2 + SUBMISSIONS) == set(again.values())
        counted = Community(client).evidence(slug)["counted"]
        assert counted["replications"] == SUBMISSIONS
        assert counted["presentations"] == 12 * SUBMISSIONS
        print(
            f"{len(acknowledged)} acknowledged before the end and found, {len(kept) - len(acknowledged)} written and "
            f"not answered, {counted['replications']} of {SUBMISSIONS} after sending again; up in {seconds:.1f} s"
        )
    database = Database(url)
    with database.read() as session:
        assert verify(session).whole
    database.dispose()


def test_killed_in_the_middle_of_200_submissions(serve, sqlite_url):
    drill(serve, sqlite_url)


@pytest.mark.postgres
def test_killed_in_the_middle_of_200_submissions_on_postgresql(serve, postgres_url):
    drill(serve, postgres_url)


@pytest.mark.postgres
def test_sixteen_writers_at_once_leave_no_gap(serve, postgres_url):
    server = serve(postgres_url)
    with server.client() as client:
        community = Community(client)
        people = [community.person() for _ in range(WRITERS)]
        slugs = [community.asked(people[0]) for _ in range(2)]
    made, failed = [], []

    def write(person, number):
        with server.client() as mine:
            for turn in range(EACH):
                document = replication(slugs[turn % 2], (number % 13, 12), notes=f"{number} {turn}")
                answer = mine.post("/v1/replications", headers=person.headers, json=document)
                (made if answer.status_code == 201 else failed).append(answer.json())

    threads = [threading.Thread(target=write, args=each) for each in zip(people, range(WRITERS), strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with server.client() as client:
        submitted = assert_the_ledger_has_no_gap(client, 4 + WRITERS * EACH)
    assert submitted == {each["id"] for each in made}
    database = Database(postgres_url)
    with database.read() as session:
        assert verify(session).whole
    database.dispose()
