"""Twenty thousand requests made up from the interface text: no 500, and nothing answered but what is documented.

Half of them are sent one by one, every operation its share; half in walks along the links. `MANYBATCH_SOAK_REQUESTS`
makes it shorter or longer, `MANYBATCH_SOAK_SEED` another one. Run with `-m soak`.
"""

import json
import os

import pytest

from service.record.database import Database
from service.record.verify import verify
from tests.api.community import Community, registration, replication
from tests.api.conftest import serve, steward_of
from tests.api.walking import Crowd, Found, interface, one_by_one, walks
from tests.write_openapi import OPENAPI

__all__ = ["serve", "steward_of"]

pytestmark = pytest.mark.soak
REQUESTS = int(os.environ.get("MANYBATCH_SOAK_REQUESTS", "20000"))
SEED = int(os.environ.get("MANYBATCH_SOAK_SEED", "1"))
STEPS = 30


def test_made_up_requests_are_answered_as_documented(serve, steward_of, sqlite_url):
    server = serve(sqlite_url, LOG_LEVEL="warning")
    schema = interface(json.loads(OPENAPI.read_text()))
    found = Found()
    with server.client() as client:
        community = Community(client)
        crowd = Crowd(community, steward_of(sqlite_url), SEED)
        slug = community.asked(crowd.owner)
        made = community.submitted(crowd.owner, replication(slug))
        community.submitted(crowd.owner, registration(slug))
        named = {"slug": slug, "version": 1, "replication_id": made["id"], "position": 1}
        operations = sum(len(methods) for methods in schema.raw_schema["paths"].values())
        one_by_one(schema, server.url, crowd, named, found, REQUESTS // 2 // operations, SEED)
        walks(schema, server.url, crowd, found, REQUESTS, STEPS, SEED)
    statuses = {
        status: sum(n for (_, each), n in found.answers.items() if each == status) for _, status in found.answers
    }
    print(f"{found.sent} requests: {dict(sorted(statuses.items()))}")
    for said, detail in found.failures.items():
        print(said, detail, sep="\n")
    assert sorted(found.failures) == []
    assert found.sent >= REQUESTS
    # A run that is refused everywhere proves nothing: nearly every operation did what it was asked at least once.
    never = sorted({label for label, _ in found.answers} - found.succeeded)
    print(f"never done: {never}")
    assert len(never) < operations / 10
    database = Database(sqlite_url)
    with database.read() as session:
        report = verify(session)
    assert report.whole, report.problems
    database.dispose()
