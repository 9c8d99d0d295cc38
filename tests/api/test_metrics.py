"""What the host watches, and who may look."""

import anyio
import httpx
import pytest
from pydantic import SecretStr

from service.app import create_app
from service.settings import Settings


@pytest.fixture
def get(sqlite):
    settings = Settings().on(log_level="error", rate_limits="off", metrics_token=SecretStr("a-token"))
    app = create_app(settings, sqlite)

    def get_(path, address="127.0.0.1", **headers):
        async def ask():
            transport = httpx.ASGITransport(app, client=(address, 1))
            async with httpx.AsyncClient(transport=transport, base_url="http://here") as client:
                return await client.get(path, headers=headers)

        return anyio.run(ask)

    return get_


def test_requests_are_counted_by_route_template(get):
    get("/v1/questions/nobody-asked-this")
    get("/v1/questions/nor-this")
    get("/no/such/place")
    text = get("/metrics").text
    assert 'manybatch_request_seconds_count{method="GET",route="/v1/questions/{slug}",status="404"} 2.0' in text
    assert 'route="unmatched",status="404"} 1.0' in text
    assert "nobody-asked" not in text
    assert 'manybatch_record_busy{kind="read"} 0.0' in text
    assert 'manybatch_record_waiting{kind="write"} 0.0' in text


def test_strangers_see_nothing(get):
    assert get("/metrics", "192.0.2.7").status_code == 404
    assert get("/metrics", "192.0.2.7", Authorization="Bearer wrong").status_code == 404
    assert get("/metrics", "192.0.2.7", Authorization="Bearer a-token").status_code == 200


def test_a_forwarded_request_is_not_from_here(get):
    assert get("/metrics", **{"X-Forwarded-For": "192.0.2.7"}).status_code == 404
