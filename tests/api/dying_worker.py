"""Kills a worker at each step of a submission in turn, and says what the record holds after each.

Run as a process of its own, `python -m tests.api.dying_worker URL`: it has no thread yet when it forks its workers. It
prints one JSON line a step, and ends after the first worker that lived to answer.
"""

import asyncio
import json
import os
import signal
import sys

import httpx
from sqlalchemy import event

from service.api.security import hashed
from service.app import create_app
from service.intake import asking
from service.intake.documents import ProtocolDocument, QuestionDocument
from service.record import contributors, ledger, replication_reads
from service.record.database import Database
from service.record.verify import verify
from service.settings import Settings
from tests.api.community import PROTOCOL, QUESTION, replication

TOKEN = "a token of nobody's"
MOST_STEPS = 60


def main(url: str) -> None:
    database = Database(url)
    with database.write() as session:
        person = contributors.create(session, display_name="Cellar mouse", token_hash=hashed(TOKEN))
        question = asking.add_question(session, person, QuestionDocument.model_validate({**QUESTION, "slug": "asked"}))
        asking.add_protocol(session, person, question, ProtocolDocument.model_validate(PROTOCOL))
    database.dispose()
    for step in range(1, MOST_STEPS):
        died = _in_a_worker(url, step, key=f"step-{step}")
        before = _held(url)
        _in_a_worker(url, None, key=f"step-{step}")
        _in_a_worker(url, None, key=f"step-{step}")
        print(json.dumps({"step": step, "died": died, "before": before, "after": _held(url)}), flush=True)
        if not died:
            return


def _in_a_worker(url: str, die_at: int | None, key: str) -> bool:
    """Submit in a process of its own, which kills itself at a step; say whether it died of it."""
    worker = os.fork()
    if worker == 0:
        status = 1
        try:
            status = asyncio.run(_submit(url, die_at, key))
        finally:
            os._exit(status)
    _, status = os.waitpid(worker, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.waitstatus_to_exitcode(status) == 0, "the worker failed otherwise"
    return False


async def _submit(url: str, die_at: int | None, key: str) -> int:
    database = Database(url)
    if die_at is not None:
        _die_at(database, die_at)
    app = create_app(Settings().on(log_level="error", rate_limits="off"), database)
    document = replication("asked", (8, 12), notes=key, conditions={"key": key})
    headers = {"Authorization": f"Bearer {TOKEN}", "Idempotency-Key": key}
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://service.test") as client:
        answer = await client.post("/v1/replications", json=document, headers=headers)
    return 0 if answer.status_code == 201 else 2


def _die_at(database: Database, step: int) -> None:
    """Count what the writing transaction does: each statement, the moment before its commit, the moment after."""
    left = [step]

    def count(*_arguments: object) -> None:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    writer = database._writer
    event.listen(writer, "after_cursor_execute", count)
    event.listen(writer, "commit", count)
    # Given back to the pool, the connection has committed, and nobody has been told.
    event.listen(writer, "checkin", count)


def _held(url: str) -> dict[str, object]:
    database = Database(url)
    with database.read() as session:
        found = {
            "whole": verify(session).whole,
            "size": ledger.head(session).size,
            "replications": len(replication_reads.page(session, limit=200)),
        }
    database.dispose()
    return found


if __name__ == "__main__":
    main(sys.argv[1])
