"""Large answers are computed once and beside the server; whatever becomes of that process, nobody waits for ever."""

import os
import signal
import threading
import time
from dataclasses import replace

import pytest
from anyio.from_thread import start_blocking_portal

from service.api import desk, frames, helper
from service.app import create_app
from service.evidence.works import WORKS
from service.record import kept_columns, ledger, question_state
from service.record.errors import Unavailable
from service.settings import Settings
from tests.api.community import replication
from tests.record import builders

SMALL_QUESTION = 2


@pytest.fixture
def beside(client, monkeypatch):
    """Let all but the smallest questions be large; the process ends with the test."""
    state = client.app.app.state
    state.desk._large = SMALL_QUESTION
    yield state.desk.helper
    state.desk.helper.close()


@pytest.fixture
def asked(community):
    person = community.person()
    slug = community.asked(person)
    for correct in (4, 7, 9, 11):
        community.submitted(person, replication(slug, (correct, 12), conditions={"still": "pot"}))
    return slug


def forget(client):
    client.app.app.state.evidence = type(client.app.app.state.evidence)()


def ask(client, slug, part="", **query):
    return client.get(f"/v1/questions/{slug}/evidence{part}", params=query)


@pytest.mark.parametrize("part", ["", "/forest.svg", "/path.svg", "/studies"])
def test_the_helper_gives_the_same_bytes(client, beside, asked, part):
    by_helper = ask(client, asked, part, where="still:pot")
    assert beside.process_id is not None
    forget(client)
    client.app.app.state.desk._large = 1000
    here = ask(client, asked, part, where="still:pot")
    assert (here.status_code, here.content, here.headers["etag"]) == (200, by_helper.content, by_helper.headers["etag"])


def test_small_answers_need_no_helper(client, beside, community):
    slug = community.asked(community.person())
    assert ask(client, slug).status_code == 200
    assert beside.process_id is None


def test_a_write_is_in_the_next_answer(client, beside, community, asked):
    assert ask(client, asked).json()["counted"]["replications"] == 4
    first = ask(client, asked).json()["as_of"]["position"]
    community.submitted(community.person(), replication(asked, (6, 12)))
    assert ask(client, asked).json()["counted"]["replications"] == 5
    forget(client)
    assert ask(client, asked, as_of=first).json()["counted"]["replications"] == 4


def test_after_an_erasure_the_helper_has_nothing_left_of_it(client, beside, community, asked):
    leaving = community.person()
    community.submitted(leaving, replication(asked, (6, 12)))
    assert ask(client, asked).json()["counted"]["replications"] == 5
    assert client.delete("/v1/me", headers=leaving.headers).status_code == 204
    assert ask(client, asked).json()["counted"]["replications"] == 4


def test_a_helper_that_was_killed_is_started_anew(client, beside, asked):
    first = ask(client, asked)
    killed = beside.process_id
    os.kill(killed, signal.SIGKILL)
    forget(client)
    assert ask(client, asked).content == first.content
    assert beside.process_id != killed


def test_a_helper_that_is_killed_at_work_is_asked_again_and_then_given_up(client, beside, asked, monkeypatch):
    """Killed each time, it costs a 503 that says when to come again; left alone, the same request is answered."""
    started, kill = helper._Running.started, []

    def start_and_die():
        running = started()
        os.kill(running.process.pid, signal.SIGSTOP)
        kill.append(threading.Timer(0.2, os.kill, (running.process.pid, signal.SIGKILL)))
        kill[-1].start()
        return running

    with monkeypatch.context() as deadly:
        deadly.setattr(helper._Running, "started", start_and_die)
        answer = ask(client, asked)
    assert len(kill) == 2
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable")
    assert int(answer.headers["retry-after"]) >= 1
    assert ask(client, asked).status_code == 200


def test_a_helper_that_says_nothing_is_given_up(client, beside, asked, monkeypatch):
    assert ask(client, asked).status_code == 200
    os.kill(beside.process_id, signal.SIGSTOP)
    forget(client)
    with monkeypatch.context() as hasty:
        hasty.setattr(helper, "_PATIENCE_S", 0.05)
        assert ask(client, asked).status_code == 503
    assert ask(client, asked).status_code == 200


def test_a_fault_in_the_helper_is_a_fault_of_the_service(client, beside, asked, monkeypatch):
    """And only once: nothing is kept of it."""
    made = helper.Helper._ask
    with monkeypatch.context() as faulty:
        faulty.setattr(helper.Helper, "_ask", lambda self, asked: made(self, replace(asked, work="nothing")))
        answer = ask(client, asked)
    assert (answer.status_code, answer.json()["type"]) == (500, "/problems/internal-error")
    assert "Traceback" not in answer.text
    assert ask(client, asked).status_code == 200


def test_a_record_that_is_away_for_the_helper_is_503(client, beside, asked, monkeypatch):
    monkeypatch.setattr(helper.Helper, "_ask", lambda *_: frames.Made(None, "away", later=True))
    assert ask(client, asked).status_code == 503


def test_too_many_large_answers_at_once_are_put_off(client, beside, asked, monkeypatch):
    monkeypatch.setattr(helper, "_MOST_WAITING", 0)
    assert ask(client, asked).status_code == 503


def test_once_closed_it_starts_no_more(client, beside, asked):
    ask(client, asked)
    beside.close()
    forget(client)
    assert ask(client, asked).status_code == 503
    assert beside.process_id is None


def comes(what, patience=30.0):
    until = time.monotonic() + patience
    while not (found := what()) and time.monotonic() < until:
        time.sleep(0.02)
    return found


def test_it_is_started_with_the_server_where_a_question_is_large_already(client, beside, asked, monkeypatch):
    state = client.app.app.state
    client._portal.call(state.desk.make_ready, state.storage)
    assert not any(each.name == "helper's start" for each in threading.enumerate())
    monkeypatch.setattr(question_state, "LARGE", SMALL_QUESTION)
    client._portal.call(state.desk.make_ready, state.storage)
    ready = comes(lambda: beside.process_id)
    assert ready is not None
    assert ask(client, asked).status_code == 200
    assert beside.process_id == ready


def test_the_server_starts_it_by_itself(sqlite_url, monkeypatch):
    begun = threading.Event()
    monkeypatch.setattr(helper.Helper, "prepare", lambda _: begun.set())
    monkeypatch.setattr(desk, "large_questions", lambda *_, **__: ["one"])
    app = create_app(Settings().on(database_url=sqlite_url, rate_limits="off"))
    with start_blocking_portal() as portal, portal.wrap_async_context_manager(app.app.router.lifespan_context(app.app)):
        assert begun.wait(30)


def test_it_is_started_when_a_question_nears_the_threshold(client, beside, asked):
    client.app.app.state.desk._large = 2 * 4
    ask(client, asked)
    assert beside.process_id is None
    forget(client)
    client.app.app.state.desk._large = 2 * 4 - 1
    ask(client, asked)
    assert comes(lambda: beside.process_id) is not None


def test_a_start_that_fails_is_nobodys_failure(client, beside, monkeypatch):
    def fail():
        raise OSError("no more processes")

    monkeypatch.setattr(helper._Running, "started", fail)
    beside.prepare()
    beside.close()
    beside.prepare()
    assert comes(lambda: all(each.name != "helper's start" for each in threading.enumerate()))
    assert beside.process_id is None


def test_after_a_large_answer_the_helper_keeps_what_it_read(client, database, beside):
    with database.write() as session:
        question = builders.question(session, builders.contributor(session, steward=True))
        rows = [builders.observation()] * (question_state.LARGE + 1)
        builders.replication(session, question, builders.contributor(session), observations=rows)
        position = ledger.last_position_of(session, question.id)
    assert ask(client, question.slug).status_code == 200

    def kept():
        with database.read() as session:
            return kept_columns.read(session, question.id, position)

    assert comes(kept).position == position


@pytest.fixture
def makings(monkeypatch):
    """Count what is made here, slowly enough for others to come meanwhile."""
    found, answer = [], WORKS["answer"]

    def slowly(session, question, filters, position, **given):
        found.append(filters)
        time.sleep(0.2)
        return answer(session, question, filters, position, **given)

    monkeypatch.setattr(desk, "WORKS", {**WORKS, "answer": slowly})
    return found


def call(slug, query=""):
    return {"method": "GET", "url": f"/v1/questions/{slug}/evidence{query}"}


def test_who_asks_the_same_at_once_gets_what_is_made_once(client, asked, makings):
    answers = client.together([*[call(asked)] * 5, call(asked, "?sealed=false")])
    assert len(makings) == 2
    assert {each.status_code for each in answers} == {200}
    assert len({each.content for each in answers}) == 2


def test_a_list_and_an_answer_share_what_is_made(client, asked, makings):
    answers = client.together([call(asked), {"method": "GET", "url": "/v1/questions"}, call(asked)])
    assert [each.status_code for each in answers] == [200, 200, 200]
    assert len(makings) == 1
    assert answers[1].json()["items"][0]["answer"] == answers[0].json()["answer"]


def test_what_fails_is_not_kept(client, asked, monkeypatch):
    def fail(*_given, **_named):
        raise Unavailable("away")

    with monkeypatch.context() as failing:
        failing.setattr(desk, "WORKS", {**WORKS, "answer": fail})
        answers = client.together([call(asked)] * 3)
    assert {each.status_code for each in answers} == {503}
    assert client.together([call(asked)])[0].status_code == 200


def test_without_a_server_the_helper_ends(sqlite_url):
    """However the server ended, the pipe that it held ends with it."""
    process = helper.subprocess.Popen(
        [helper.sys.executable, "-m", "service.api.helper"],
        stdin=helper.subprocess.PIPE,
        stdout=helper.subprocess.PIPE,
        cwd=helper.Path(helper.__file__).parents[2],
    )
    frames.write(process.stdin.fileno(), frames.Place(sqlite_url, None))
    process.communicate(timeout=30)
    assert process.returncode == 0
