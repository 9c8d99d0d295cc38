"""Requests made up from the interface text, against a live server: what is documented is what happens."""

import pytest
import schemathesis
from schemathesis.config import SchemathesisConfig
from schemathesis.specs.openapi.checks import positive_data_acceptance

from tests.api.community import Community, registration, replication
from tests.write_openapi import OPENAPI

# A question, an arm or a ledger position that a document names must be there, two gravities must stand in a relation, a
# text with a unit must be one: no schema says so, and what is made up from schemas is refused for it.
EXCLUDED = [positive_data_acceptance]
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
