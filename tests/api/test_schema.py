"""Requests made up from the interface text, against a live server: what is documented is what happens."""

import json

import pytest
import schemathesis
from schemathesis.config import SchemathesisConfig

from tests.api.community import Community, registration, replication
from tests.api.walking import EXCLUDED, Crowd, Found, interface, walks
from tests.write_openapi import OPENAPI

CONFIG = {
    "generation": {"max-examples": 4, "deterministic": True, "database": "none"},
    "phases": {"coverage": {"enabled": False}},
}


@pytest.fixture(scope="module")
def there(server):
    """Give something that is there, for the names in paths, and somebody whose it is."""
    with server.client() as client:
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
        made = community.submitted(person, replication(slug))
        community.submitted(person, registration(slug))
    return person, {"slug": slug, "version": 1, "replication_id": made["id"], "position": 1}


# Read from the file, so that each operation is a test of its own; test_openapi.py holds it to what is served.
schema = schemathesis.openapi.from_path(OPENAPI, config=SchemathesisConfig.from_dict(CONFIG))


@schema.parametrize()
def test_every_operation_answers_as_documented(case, server, there):
    person, named = there
    if case.method != "GET" and case.path.startswith("/v1/me"):
        with server.client() as client:  # who erases themselves, or changes their token, does it once
            person = Community(client).person()
    case.path_parameters = {name: named.get(name, value) for name, value in (case.path_parameters or {}).items()}
    case.call_and_validate(base_url=server.url, headers=person.headers, excluded_checks=EXCLUDED)


def test_walks_along_the_links_meet_nothing_that_is_not_documented(server, steward_of):
    """The long run of it is in `tests/soak/`."""
    found = Found()
    with server.client() as client:
        crowd = Crowd(Community(client), steward_of(f"sqlite:///{server.record}"), seed=4)
        walks(interface(json.loads(OPENAPI.read_text())), server.url, crowd, found, until=60, steps=15, seed=4)
    assert found.failures == {}
    assert found.sent >= 150
