"""The records that parts measure on, each made when it is first asked for and kept until the end of the run."""

import json
import subprocess
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from tests import postgres
from tests.benchmarks import PROJECT, inside
from tests.benchmarks.asking import WARMING, ask
from tests.benchmarks.documents import Primary, replications, write_file
from tests.benchmarks.sizes import Sizes

ASKED = "asked"


@dataclass(frozen=True, slots=True)
class Record:
    """A record, who may write to it, and what loading it took."""

    url: str
    slug: str
    replications: int
    token: str
    seconds: float
    processor: float
    peak_mb: float


class Workshop:
    """Makes records, and runs work in processes of its own."""

    def __init__(self, folder: Path, sizes: Sizes, tell: Callable[[str], None] = lambda _: None) -> None:
        self.folder, self.sizes, self.tell = folder, sizes, tell
        self._kept: dict[object, Any] = {}
        self._stack = ExitStack()

    def close(self) -> None:
        self._stack.close()

    def once(self, key: object, make: Callable[[], Any]) -> Any:
        """Make something the first time that it is asked for."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    @cached_property
    def postgres(self) -> postgres.Server | None:
        """A server that keeps what it acknowledges; None where there is none."""
        if not self.sizes.postgres:
            return None
        try:
            return self._stack.enter_context(postgres.server(durable=True))
        except postgres.NoPostgres as reason:
            self.tell(f"without PostgreSQL: {reason}")
            return None

    def record(self, count: int, primary: Primary = "perceivable_difference") -> Record:
        """Give a record on SQLite with one question of so many replications."""
        return self.once(("record", count, primary), lambda: self.made(self.sqlite_url(), count, primary))

    def sqlite_url(self) -> str:
        return f"sqlite:///{self.folder}/record-{len(list(self.folder.glob('*.db')))}.db"

    def postgres_url(self) -> str:
        return self.postgres.create()

    def made(self, url: str, count: int, primary: Primary = "perceivable_difference") -> Record:
        """Make a record and load it as a host would."""
        self.tell(f"loading {count} replications")
        token = ask(url, {ASKED: primary, WARMING: primary})
        self._loaded(url, WARMING, self.sizes.warming, seed=2)
        loaded = self._loaded(url, ASKED, count)
        return Record(url, ASKED, count, token, loaded["seconds"], loaded["processor"], loaded["peak_mb"])

    def of_many_questions(self, count: int) -> Record:
        """Give a record with many questions, each of one replication."""

        def make() -> Record:
            url = self.sqlite_url()
            slugs = [f"question-{number}" for number in range(count)]
            self.tell(f"asking {count} questions")
            token = ask(url, dict.fromkeys((*slugs, WARMING), "perceivable_difference"))
            self._loaded(url, WARMING, self.sizes.warming, seed=2)
            file = self.folder / "many.jsonl"
            documents = (each | {"question": slug} for slug, each in zip(slugs, replications("", count), strict=True))
            write_file(file, documents)
            loaded = self.inside("load", url=url, file=str(file))
            return Record(url, slugs[0], count, token, loaded["seconds"], loaded["processor"], loaded["peak_mb"])

        return self.once(("questions", count), make)

    def _loaded(self, url: str, slug: str, count: int, seed: int = 1) -> dict[str, Any]:
        file = self.folder / f"{slug}-{count}.jsonl"
        if not file.exists():
            write_file(file, replications(slug, count, seed))
        return self.inside("load", url=url, file=str(file))

    def inside(self, work: str, **given: Any) -> dict[str, Any]:
        """Do one of the works of `inside`, in a process of its own so that its memory is its own."""
        if not self.sizes.spawn:
            return inside.do(work, given)
        command = [sys.executable, "-m", "tests.benchmarks.inside", work, json.dumps(given)]
        done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"{work} failed: {done.stderr[-3000:]}")
        return json.loads(done.stdout.splitlines()[-1])
