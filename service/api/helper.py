"""A process beside the server that computes large answers, so that the server itself always has time for small ones.

It is started when it is first needed or will be soon, reads the record by a connection of its own, and keeps its own
columns. Whatever becomes of it, the server goes on: it is started anew, and who waited for it is answered late or told
to come again.
"""

import gc
import os
import signal
import subprocess
import sys
import traceback
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, Thread
from typing import IO, Self, cast

from anyio import CapacityLimiter
from anyio.to_thread import run_sync

from service.api import frames
from service.evidence.works import WORKS
from service.record import questions
from service.record.database import Database
from service.record.errors import RecordError, Unavailable

_PATIENCE_S = 60.0
_MOST_WAITING = 16
_IDLE_S = 900.0
"""Without work for this long it ends, and gives its memory back."""
_TRIES = 2
_GIVES_WAY = 2


class Helper:
    """The server's side: asks one thing after the other."""

    def __init__(self, place: frames.Place) -> None:
        self._place = place
        self._turn = CapacityLimiter(1)
        self._process: _Running | None = None
        self._lock = Lock()
        self._closed = False

    @property
    def process_id(self) -> int | None:
        """The process, while there is one."""
        running = self._process
        return None if running is None else running.process.pid

    @property
    def waiting(self) -> int:
        """How many answers wait for their turn, or are being made."""
        return self._turn.statistics().tasks_waiting + self._turn.borrowed_tokens

    def prepare(self) -> None:
        """Start it, in the background, so that the first who needs it doesn't wait for that."""
        if self._process is None:
            Thread(target=self._start, name="helper's start", daemon=True).start()

    def _start(self) -> None:
        with suppress(frames.Ended, OSError):  # who needs it starts it, and is told why that fails
            self._running()

    async def make(self, asked: frames.Asked) -> bytes:
        """Have something made.

        Raises
        ------
        Unavailable
            Too much waits already, or it can't be made just now.

        """
        if self._turn.statistics().tasks_waiting >= _MOST_WAITING:
            raise Unavailable("Many large answers are being computed.")
        made: frames.Made = await run_sync(self._ask, asked, limiter=self._turn)
        if made.body is not None:
            return made.body
        if made.later:
            raise Unavailable(made.failure)
        raise RuntimeError(made.failure)

    def _ask(self, asked: frames.Asked) -> frames.Made:
        for _ in range(_TRIES):
            try:
                running = self._running()
                frames.write(running.questions, asked)
                made: frames.Made = frames.read(running.answers, _PATIENCE_S)
            except frames.Ended:
                self._end()
            else:
                return made
        return frames.Made(None, "The process that computes large answers ended.", later=True)

    def _running(self) -> "_Running":
        with self._lock:
            if self._closed:
                raise frames.Ended
            if self._process is None:
                self._process = _Running.started()
                frames.write(self._process.questions, self._place)
            return self._process

    def _end(self) -> None:
        with self._lock:
            running, self._process = self._process, None
        if running is not None:
            running.process.kill()
            running.process.communicate()

    def close(self) -> None:
        """End it for good; who waits for it is told to come again."""
        with self._lock:
            self._closed = True
            running = self._process
        if running is not None:
            running.process.kill()
        if not self._turn.borrowed_tokens:  # else whoever waits for it tidies up
            self._end()


@dataclass(frozen=True, slots=True)
class _Running:
    """The process, and the two pipes to it."""

    process: subprocess.Popen[bytes]
    questions: int
    answers: int

    @classmethod
    def started(cls) -> Self:
        home = str(Path(__file__).parents[2])
        path = os.pathsep.join([home, *filter(None, [os.environ.get("PYTHONPATH")])])
        process = subprocess.Popen(
            [sys.executable, "-m", "service.api.helper"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            env={**os.environ, "PYTHONPATH": path},
        )
        to, back = cast("IO[bytes]", process.stdin), cast("IO[bytes]", process.stdout)
        return cls(process, to.fileno(), back.fileno())


def main() -> None:
    """Work for whoever holds the other end of the pipes, until they are gone or have nothing to do."""
    # Ctrl-C is for the server, which ends us when it has ended what was begun.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(_GIVES_WAY)
    answers = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever is printed is no answer
    questions_pipe = sys.stdin.fileno()
    with suppress(frames.Ended):
        place: frames.Place = frames.read(questions_pipe, _IDLE_S)
        database = Database(place.url, read_url=place.read_url, pool_size=1)
        gc.freeze()
        while True:
            asked: frames.Asked = frames.read(questions_pipe, _IDLE_S)
            frames.write(answers, _made(database, asked))
            database.keep_columns(asked.question_id)


def _made(database: Database, asked: frames.Asked) -> frames.Made:
    tries = (True, False) if asked.from_replica else (False,)
    for from_replica in tries:
        try:
            with database.read(from_replica=from_replica) as session:
                question = questions.get(session, asked.question_id)
                work = WORKS[asked.work]
                return frames.Made(work(session, question, asked.filters, asked.position, **asked.given))
        except RecordError as error:
            # The replica may not have it yet, or be away: the record itself has the last word.
            failed = frames.Made(None, str(error), later=True)
        except Exception:  # noqa: BLE001  said to the server, which writes it down
            return frames.Made(None, traceback.format_exc())
    return failed


if __name__ == "__main__":
    main()
