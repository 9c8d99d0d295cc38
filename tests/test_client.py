import httpx
import pytest

from service.client import Client, Refused, Unreachable

REPORT = {
    "summary": ["One household."],
    "trials": [],
    "measured": [],
    "ferments": [],
    "deviations": [],
    "confounds": [],
    "cautions": [],
}
KEPT = {"id": "r", "revision": 1, "state": "submitted", "report": REPORT, "question": "q"}


def client_of(answers, seen=None, waits=None):
    """A client whose service answers these in turn; an exception stands for a lost answer."""
    queue = iter(answers)

    def answer(request):
        if seen is not None:
            seen.append(request)
        following = next(queue)
        if isinstance(following, Exception):
            raise following
        return following

    pause = [].append if waits is None else waits.append
    return Client("http://service", "token", transport=httpx.MockTransport(answer), pause=pause)


def test_a_lost_answer_is_asked_for_again_with_the_same_key():
    seen = []
    with client_of([httpx.ReadError("lost"), httpx.Response(201, json=KEPT)], seen) as client:
        kept = client.submit({"question": "q"})
    assert kept.id == "r"
    assert kept.model_extra == {"question": "q"}
    keys = {request.headers["Idempotency-Key"] for request in seen}
    assert len(seen) == 2
    assert len(keys) == 1


def test_two_submissions_never_share_a_key():
    seen = []
    with client_of([httpx.Response(201, json=KEPT)] * 2, seen) as client:
        client.submit({})
        client.submit({})
    assert len({request.headers["Idempotency-Key"] for request in seen}) == 2


def test_a_busy_service_is_waited_for_as_long_as_it_says():
    waits = []
    with client_of(
        [httpx.Response(503, headers={"Retry-After": "7"}), httpx.Response(200, json=REPORT)], waits=waits
    ) as client:
        assert client.check({}).summary == ["One household."]
    assert waits == [7.0]


def test_a_refusal_is_not_repeated_and_says_what_to_mend():
    seen = []
    problem = {"type": "/problems/invalid-input", "detail": "mend it", "errors": [{"pointer": "/a", "detail": "no"}]}
    with (
        client_of([httpx.Response(422, json=problem)], seen) as client,
        pytest.raises(Refused, match="mend it") as refused,
    ):
        client.check({})
    assert refused.value.faults == [("/a", "no")]
    assert len(seen) == 1


def test_only_a_twin_in_flight_is_a_conflict_worth_waiting_for():
    seen = []
    twin = httpx.Response(409, json={"type": "/problems/request-in-flight", "detail": "wait"})
    other = httpx.Response(409, json={"type": "/problems/plan-is-fixed", "detail": "no"})
    with client_of([twin, other], seen) as client, pytest.raises(Refused, match="no"):
        client.submit({})
    assert len(seen) == 2


def test_silence_ends_as_unreachable():
    with client_of([httpx.ConnectError("nobody")] * 5) as client, pytest.raises(Unreachable, match="nobody"):
        client.check({})


def test_a_refusal_that_is_no_problem_document_still_says_something():
    with client_of([httpx.Response(404, text="<html>")]) as client, pytest.raises(Refused, match="Not Found"):
        client.check({})


def test_lists_are_walked_through_their_pages():
    pages = [
        httpx.Response(200, json={"items": [{"slug": "a"}], "next": "/v1/questions?after=x"}),
        httpx.Response(200, json={"items": [{"slug": "b"}], "next": None}),
    ]
    with client_of(pages) as client:
        assert [item["slug"] for item in client.questions()] == ["a", "b"]


def test_a_download_leaves_nothing_half_written(tmp_path):
    with client_of([httpx.Response(200, content=b"zip"), httpx.Response(404, json={"detail": "none"})]) as client:
        assert client.download("/x", tmp_path / "a.zip") == 3
        with pytest.raises(Refused, match="none"):
            client.download("/y", tmp_path / "b.zip")
    assert [path.name for path in tmp_path.iterdir()] == ["a.zip"]


def test_the_demo_is_read_through_the_client(demo_server):
    with Client(demo_server) as client:
        slugs = {question["slug"] for question in client.questions()}
        found = client.evidence("feeding-a-mead-in-steps", where=["yeast:nobody-used-this"])
        p_value = client.calculate("trial/significance", method="triangle", presented=12, correct=8)["result"][
            "p_value"
        ]
    assert "feeding-a-mead-in-steps" in slugs
    assert found.exploratory
    assert found.certainty is None
    assert p_value == pytest.approx(9969 / 3**12)  # counted by hand: sum of C(12, x) 2^(12-x), x = 8..12


def test_a_download_that_breaks_off_is_begun_anew_and_told_as_it_goes(tmp_path):
    class Broken(httpx.SyncByteStream):
        def __iter__(self):
            yield b"zi"
            raise httpx.ReadError("lost")

    told = []
    answers = [
        httpx.Response(503, headers={"Retry-After": "1"}),
        httpx.Response(200, headers={"Content-Length": "3"}, stream=Broken()),
        httpx.Response(200, content=b"zip"),
    ]
    with client_of(answers) as client:
        size = client.export("a slug", tmp_path / "a.zip", as_of="12", progress=lambda *each: told.append(each))
    assert size == 3
    assert (tmp_path / "a.zip").read_bytes() == b"zip"
    assert told == [(2, 3), (3, 3)]
    assert [path.name for path in tmp_path.iterdir()] == ["a.zip"]


def test_a_slug_is_one_step_of_an_address(tmp_path):
    seen = []
    with client_of([httpx.Response(404, json={"detail": "none"})], seen) as client, pytest.raises(Refused):
        client.export("../secret", tmp_path / "x", as_of="1&x=2")
    assert seen[0].url.raw_path == b"/v1/questions/..%2Fsecret/data-package?as_of=1%26x%3D2"
