"""How much one caller may ask for: refused with a time to come back, told in every answer, and told apart."""

import re

import pytest

from service import serving
from service.api import limits
from service.api.callers import Callers
from service.api.limits import Policy
from service.settings import Settings

POLICY = re.compile(r'"(?P<name>[a-z]+)";q=(?P<quota>\d+);w=(?P<window>\d+)')
STATE = re.compile(r'"(?P<name>[a-z]+)";r=(?P<left>\d+);t=(?P<seconds>\d+)')


@pytest.fixture
def limited(sqlite, join):
    return join(sqlite, rate_limits="on")


@pytest.fixture
def small(monkeypatch, limited):
    """Make every quota three."""
    for name in ("CALCULATIONS", "READS", "EXPORTS", "NEWCOMERS", "STRANGERS", "WRITES"):
        policy = getattr(limits, name)
        monkeypatch.setattr(limits, name, Policy(policy.name, 3, policy.window_s, policy.exact))
    return limited


def newcomer(client, **given):
    return client.post("/v1/contributors", json={"display_name": "Cellar mouse"}, **given)


def bearer(answer):
    return {"Authorization": f"Bearer {answer.json()['token']}"}


def test_every_answer_says_the_policy_and_what_is_left(limited):
    answer = limited.get("/v1/questions")
    policy, state = POLICY.fullmatch(answer.headers["ratelimit-policy"]), STATE.fullmatch(answer.headers["ratelimit"])
    assert policy["name"] == state["name"] == "reads"
    assert (int(policy["quota"]), int(policy["window"])) == (limits.READS.quota, limits.READS.window_s)
    assert int(state["left"]) == limits.READS.quota - 1
    assert 0 < int(state["seconds"]) <= 2 * limits.READS.window_s
    assert int(STATE.fullmatch(limited.get("/v1/questions").headers["ratelimit"])["left"]) == limits.READS.quota - 2


def test_who_asks_too_much_is_told_when_to_come_back(small):
    assert [newcomer(small).status_code for _ in range(4)] == [201, 201, 201, 429]
    refused = newcomer(small)
    assert refused.headers["content-type"] == "application/problem+json"
    assert refused.json()["type"] == "/problems/too-many-requests"
    assert 0 < int(refused.headers["retry-after"]) <= 3600
    assert STATE.fullmatch(refused.headers["ratelimit"])["left"] == "0"
    assert refused.headers["x-request-id"]
    # Something else may still be asked.
    assert small.get("/v1/questions").status_code == 200


def test_the_place_comes_back_when_the_window_has_moved_on(small, monkeypatch):
    now = [1_000_000.0]
    monkeypatch.setattr(limits.time, "time", lambda: now[0])
    for _ in range(3):
        assert newcomer(small).status_code == 201
        now[0] += 10
    assert newcomer(small).status_code == 429
    now[0] += 3600 - 30 - 1
    assert newcomer(small).status_code == 429
    now[0] += 2
    assert [newcomer(small).status_code for _ in range(2)] == [201, 429]


def test_frequent_calls_are_counted_over_a_window_that_slides(monkeypatch):
    now = [6_000_000.0]
    monkeypatch.setattr(limits.time, "time", lambda: now[0])
    counters, policy = limits.Limits(), Policy("reads", 10, 60, exact=False)

    def granted(number):
        return sum(counters.take(policy, "somebody").granted for _ in range(number))

    assert granted(12) == 10
    now[0] += 60 + 30
    # Half of the window before still counts.
    assert granted(12) == 5
    now[0] += 60 + 59.9
    assert granted(12) == 10
    now[0] += 200
    assert granted(12) == 10
    refused = counters.take(policy, "somebody")
    assert (refused.remaining, refused.reset_s) == (0, 11)
    assert counters.take(policy, "somebody else", cost=99).granted


@pytest.mark.parametrize(
    ("method", "path", "name"),
    [
        ("GET", "/v1/calculators", "calculations"),
        ("GET", "/v1/calculators/gravity/scales?sg=1.05", "calculations"),
        ("POST", "/v1/calculators/gravity/scales", "calculations"),
        ("POST", "/v1/replications/check", "calculations"),
        ("GET", "/v1/ledger", "reads"),
        ("HEAD", "/v1/ledger", "reads"),
        ("GET", "/v1/questions/none/data-package", "exports"),
        ("POST", "/v1/contributors", "newcomers"),
        ("POST", "/v1/taste/nothing/answers", "strangers"),
        ("POST", "/v1/questions", "strangers"),
        ("GET", "/", "reads"),
        ("POST", "/take-part/begin", "newcomers"),
        ("GET", "/nowhere", "reads"),
    ],
)
def test_each_call_is_counted_under_what_it_is(limited, method, path, name):
    answer = limited.request(method, path, json={} if method == "POST" else None)
    assert POLICY.fullmatch(answer.headers["ratelimit-policy"])["name"] == name


@pytest.mark.parametrize("path", ["/health/live", "/health/ready", "/metrics"])
def test_probes_are_not_counted(limited, path):
    assert "ratelimit" not in limited.get(path).headers


def test_writes_are_counted_by_contributor(small):
    one, other = bearer(newcomer(small)), bearer(newcomer(small))
    for who in (one, other):
        answers = [small.post("/v1/me/household", json={}, headers=who) for _ in range(4)]
        assert [each.status_code for each in answers] == [200, 200, 200, 429]
        assert {POLICY.fullmatch(each.headers["ratelimit-policy"])["name"] for each in answers} == {"writes"}
        # A new token is no new contributor.
        assert small.post("/v1/me/token", headers=who).status_code == 429
    assert small.get("/v1/me", headers=one).status_code == 200


def test_tokens_cannot_be_guessed_at_length(small):
    guesses = [small.post("/v1/questions", json={}, headers={"Authorization": f"Bearer {n}"}) for n in range(5)]
    assert [each.status_code for each in guesses] == [401, 401, 401, 429, 429]
    guessed_by_reading = small.get("/v1/me", headers={"Authorization": "Bearer x"})
    assert guessed_by_reading.status_code == 429


def test_long_columns_cost_more(limited):
    body = {"sg": [1.05] * 20_000}
    limited.get("/v1/calculators")
    answer = limited.post("/v1/calculators/gravity/scales", json=body)
    left = int(STATE.fullmatch(answer.headers["ratelimit"])["left"])
    assert limits.CALCULATIONS.quota - left == 2 + int(answer.request.headers["content-length"]) // (16 * 1024)


def test_off_is_off(sqlite, join):
    client = join(sqlite, rate_limits="off")
    assert "ratelimit" not in client.get("/v1/questions").headers
    assert {newcomer(client).status_code for _ in range(limits.NEWCOMERS.quota // 10)} == {201}


def test_the_kept_list_of_callers_does_not_grow_for_ever(monkeypatch):
    now = [1_000_000.0]
    monkeypatch.setattr(limits.time, "time", lambda: now[0])
    monkeypatch.setattr(limits, "_TIDY_EVERY", 10)
    counters = limits.Limits()
    for number in range(4):
        counters.take(limits.WRITES, str(number))
        counters.take(limits.READS, str(number))
    now[0] += 180
    counters._storage._MemoryStorage__expire_events()
    for _ in range(2):
        counters.take(limits.READS, "last")
    counters.take(limits.WRITES, "last")
    assert len(counters._storage.events) == 1
    assert [who for _, who in counters._sliding] == ["last"]


@pytest.mark.parametrize(
    ("trusted", "peer", "forwarded", "address"),
    [
        ([], "203.0.113.7", "198.51.100.1", "203.0.113.7"),
        (["10.0.0.0/8"], "203.0.113.7", "198.51.100.1", "203.0.113.7"),
        (["10.0.0.0/8"], "10.1.2.3", "198.51.100.1", "198.51.100.1"),
        (["10.0.0.0/8"], "10.1.2.3", "1.1.1.1, 198.51.100.1, 10.9.9.9", "198.51.100.1"),
        (["10.0.0.0/8"], "10.1.2.3", "", "10.1.2.3"),
        (["10.0.0.0/8"], "10.1.2.3", "10.4.4.4", "10.4.4.4"),
        (["10.0.0.0/8"], "10.1.2.3", "nonsense", "unknown"),
        (["10.1.2.3"], "10.1.2.3", "198.51.100.1", "198.51.100.1"),
        (["::1"], "::1", "2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ([], "2001:db8:1:2:ffff::9", None, "2001:db8:1:2::/64"),
        ([], "::ffff:203.0.113.7", None, "203.0.113.7"),
        ([], None, None, "unknown"),
    ],
)
def test_an_address_is_the_peers_unless_a_trusted_proxy_says_otherwise(trusted, peer, forwarded, address):
    headers = [] if forwarded is None else [(b"x-forwarded-for", forwarded.encode())]
    scope = {"type": "http", "headers": headers, "client": (peer, 1) if peer else None}
    assert Callers(trusted).address(scope) == address


def test_a_header_of_their_own_makes_nobody_somebody_else(small):
    answers = [newcomer(small, headers={"X-Forwarded-For": f"198.51.100.{n}"}) for n in range(5)]
    assert [each.status_code for each in answers] == [201, 201, 201, 429, 429]


def test_behind_a_trusted_proxy_each_caller_has_a_quota(small, sqlite, join):
    client = join(sqlite, rate_limits="on", trusted_proxies=["127.0.0.1"])
    answers = [newcomer(client, headers={"X-Forwarded-For": f"198.51.100.{n % 2}"}) for n in range(7)]
    assert [each.status_code for each in answers] == [201] * 6 + [429]


def test_the_server_itself_believes_no_forwarded_address(monkeypatch):
    started = {}
    monkeypatch.setattr(serving.uvicorn, "run", lambda *_, **given: started.update(given))
    monkeypatch.setenv("MANYBATCH_DATABASE_URL", "sqlite:///nowhere.db")  # put back afterwards
    serving.listen(Settings())
    assert started["proxy_headers"] is False
