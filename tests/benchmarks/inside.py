"""What is done in a process of its own, so that the most memory it ever held is known."""

import asyncio
import contextlib
import io
import json
import logging
import os
import sys
import time
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from rich.console import Console
from sqlalchemy import delete

from service import record_commands
from service.api.paging import encode
from service.app import create_app
from service.record.database import Database
from service.record.tables import KeptColumn
from tests.benchmarks.asking import WARMING, settings_on
from tests.benchmarks.bare import bare_get
from tests.benchmarks.documents import replications
from tests.benchmarks.drive import App, Call, Contestant, asked, in_turns, running, timed
from tests.benchmarks.inputs import columns_call, named

_STILL_S = 0.3
KEPT = {"if-none-match": '"kept"'}


def peak_mb() -> float:
    """The most memory that this process and its living children ever held, each at its own time.

    Libraries that several of them have loaded are in memory once, and count once.
    """
    family = _family(os.getpid())
    return (sum(map(_high_water, family)) - _counted_again(map(_shared, family))) / 1024


def processor_seconds() -> float:
    """What this process and its children have used, all threads together."""
    return sum(_ticks(each) for each in _family(os.getpid())) / os.sysconf("SC_CLK_TCK")


def _ticks(process: int) -> int:
    with contextlib.suppress(OSError):
        # Its own time and that of children that ended, in user and in system mode, counted from behind its name.
        return sum(map(int, Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[11:15]))
    return 0


def _high_water(process: int) -> int:
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{process}/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1])
    return 0


def _counted_again(shared: Iterable[Counter[str]]) -> int:
    """Add up what of each file more than one process holds, but for the one that holds most of it."""
    held: defaultdict[str, list[int]] = defaultdict(list)
    for each in shared:
        for file, kilobytes in each.items():
            held[file].append(kilobytes)
    return sum(sum(each) - max(each) for each in held.values())


def _shared(process: int) -> Counter[str]:
    """Say how much of each file a process has in memory, unchanged and together with another."""
    found: Counter[str] = Counter()
    with contextlib.suppress(OSError):
        file = ""
        for line in Path(f"/proc/{process}/smaps").read_text().splitlines():
            name, *rest = line.split()
            if not name.endswith(":"):
                *_, file = rest
            elif name == "Shared_Clean:" and file.startswith("/"):
                found[file] += int(rest[0])
    return found


def _family(process: int) -> list[int]:
    found = [process]
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{process}/task").iterdir():
            for child in (task / "children").read_text().split():
                found += _family(int(child))
    return found


def load(url: str, file: str) -> dict[str, float]:
    """`manybatch load FILE`."""
    silent = Console(file=io.StringIO())
    start, busy = time.perf_counter(), processor_seconds()
    with (
        patch.dict(os.environ, MANYBATCH_DATABASE_URL=url),
        patch.object(record_commands, "out", silent),
        patch.object(record_commands, "err", silent),
    ):
        record_commands.load([Path(file)], None)
    return {"seconds": time.perf_counter() - start, "processor": processor_seconds() - busy}


@asynccontextmanager
async def service(url: str) -> AsyncIterator[App]:
    """Give the application on a record, with everything done once that has to be."""
    settings = settings_on(url)
    async with running(create_app(settings, Database(url, pool_size=settings.threads))) as app:
        logging.disable(logging.CRITICAL)
        await asked(app, Call("GET", f"/v1/questions/{WARMING}/evidence"))
        await _started()
        yield app


async def _started() -> None:
    """Wait until what starts beside the server has started: until nothing uses the processor any more."""
    before = -1.0
    while (used := processor_seconds()) != before:
        before = used
        await asyncio.sleep(_STILL_S)


async def grown(url: str, slug: str, token: str, count: int, seconds: float) -> dict[str, float]:
    """Read one question's evidence as it comes for the first time, after one more replication, and again."""
    call = Call("GET", f"/v1/questions/{slug}/evidence")
    async with service(url) as app:
        busy = processor_seconds()
        found = {"cold": await timed(app, call), "peak_mb": peak_mb(), "processor": processor_seconds() - busy}
        answer = await asked(app, call)
        found["kilobytes"] = len(answer.body) / 1000
        after = []
        for extra in replications(slug, 3, seed=1_000_000 + count):
            sent = Call("POST", "/v1/replications", extra, {"authorization": f"Bearer {token}"})
            await asked(app, sent, 201)
            after.append(await timed(app, call))
        found["after one more"] = min(after)
        answer = await asked(app, call)
        unchanged = Call("GET", f"/v1/questions/{slug}/evidence", headers={"if-none-match": answer.header("etag")})
        bare = bare_get(answer.body)
        found["warm"], found["304"], found["bare"], found["bare 304"] = await in_turns(
            Contestant(app, call),
            Contestant(app, unchanged, 304),
            Contestant(bare, Call("GET", "/bare")),
            Contestant(bare, Call("GET", "/bare", headers=KEPT), 304),
            seconds=seconds,
        )
        head = json.loads((await asked(app, Call("GET", "/v1/ledger/head"))).body)["size"]
        deep = encode(max(2, head // 2))
        pages = {
            "list page": f"/v1/replications?question={slug}",
            "list page at depth": f"/v1/replications?question={slug}&after={deep}",
            "ledger page": "/v1/ledger",
            "ledger page at depth": f"/v1/ledger?after={max(0, head - 60)}",
            "studies page": f"/v1/questions/{slug}/evidence/studies",
        }
        for name, path in pages.items():
            (found[name],) = await in_turns(Contestant(app, Call("GET", path)), seconds=seconds / 4)
    return found | {"cold, from the rows": await _from_rows(url, call)}


async def _from_rows(url: str, call: Call) -> float:
    """Read evidence of which nobody has kept any columns."""
    database = Database(url)
    with database.write() as session:
        session.execute(delete(KeptColumn))
    database.dispose()
    async with service(url) as app:
        return await timed(app, call)


async def many_questions(url: str, slug: str, token: str, count: int, seconds: float) -> dict[str, float]:
    """Read one question among many, and the list of them."""
    listed = Call("GET", "/v1/questions?limit=50")
    async with service(url) as app:
        start = time.perf_counter()
        await asked(app, listed)
        first = time.perf_counter() - start
        peak = peak_mb()
        (again,) = await in_turns(Contestant(app, listed), seconds=seconds / 4)
        depth = encode(max(1, count))
        deep = await timed(app, Call("GET", f"/v1/questions?limit=50&after={depth}"))
    return await grown(url, slug, token, count, seconds) | {
        "question list": first,
        "question list again": again,
        "question list at depth": deep,
        "peak_mb": peak,
    }


async def exported(url: str, slug: str) -> dict[str, float]:
    """Take a question's data package away."""
    async with service(url) as app:
        start = time.perf_counter()
        answer = await asked(app, Call("GET", f"/v1/questions/{slug}/data-package"))
        return {"seconds": time.perf_counter() - start, "megabytes": len(answer.body) / 1e6}


async def columns(name: str, rows: int) -> dict[str, float]:
    """Calculate whole columns."""
    app = create_app(settings_on("sqlite:////nowhere/none.db"))
    logging.disable(logging.CRITICAL)
    call = columns_call(named(name), rows)
    return {"seconds": min([await timed(app, call) for _ in range(3)])}


async def idle(url: str) -> dict[str, float]:
    """Start, answer once, and do nothing more."""
    async with service(url):
        return {}


WORKS: dict[str, Callable[..., Any]] = {
    work.__name__: work for work in (load, grown, many_questions, exported, columns, idle)
}


def do(name: str, given: dict[str, Any]) -> dict[str, float]:
    """Do one work, and say how much memory it took."""
    done = WORKS[name](**given)
    found: dict[str, float] = asyncio.run(done) if asyncio.iscoroutine(done) else done
    found.setdefault("peak_mb", peak_mb())
    return found


if __name__ == "__main__":
    print(json.dumps(do(sys.argv[1], json.loads(sys.argv[2]))))
