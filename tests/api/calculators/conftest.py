from collections.abc import Callable, Iterator
from typing import Any

import pytest

from service.app import create_app
from service.record.database import Database
from service.settings import Settings
from tests.api.client import Client


@pytest.fixture(scope="session")
def calls(portal, migrated_sqlite) -> Iterator[Client]:
    """Give a client for what never touches the record."""
    database = Database(f"sqlite:///{migrated_sqlite}")
    client = Client(portal, create_app(Settings().on(log_level="error", rate_limits="off"), database))
    yield client
    client.close()
    database.dispose()


@pytest.fixture(scope="session")
def calculate(calls) -> Callable[..., dict[str, Any]]:
    """Calculate by POST and return the result."""

    def calculate_(name: str, **inputs: Any) -> dict[str, Any]:
        answer = calls.post(f"/v1/calculators/{name}", json=inputs)
        assert answer.status_code == 200, answer.text
        return answer.json()["result"]

    return calculate_


@pytest.fixture(scope="session")
def refused(calls) -> Callable[..., dict[str, str]]:
    """Send what must be refused, and return the detail for each pointer."""

    def refused_(name: str, inputs: Any) -> dict[str, str]:
        answer = calls.post(f"/v1/calculators/{name}", json=inputs)
        assert answer.status_code == 422, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        return {fault["pointer"]: fault["detail"] for fault in answer.json()["errors"]}

    return refused_
