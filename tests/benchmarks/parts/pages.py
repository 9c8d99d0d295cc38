"""A question's page, given again, beside a bare page of the same bytes; and how heavy pages are."""

import asyncio
from collections.abc import Iterator
from statistics import median

from fastapi import FastAPI
from starlette.responses import HTMLResponse

from service.pages.assets import assets
from service.pages.calculators import families
from service.pages.guides import guides
from tests.benchmarks.drive import Call, Contestant, asked, in_turns
from tests.benchmarks.inside import service
from tests.benchmarks.rows import Row, at_least, at_most
from tests.benchmarks.workshop import Record, Workshop

BROWSER = {"accept": "text/html"}
OTHERS = ["/", "/calculators", "/guides", "/method", "/take-part", "/take-part/document", "/taste/none", "/pour/none"]


def measure(shop: Workshop) -> Iterator[Row]:
    yield from asyncio.run(_pages(shop.record(shop.sizes.replications), shop.sizes.seconds))


async def _pages(record: Record, seconds: float) -> list[Row]:
    path = f"/questions/{record.slug}"
    every = [path, f"{path}/take-part", f"{path}/replications", *OTHERS]
    every += [*(f"/calculators/{family}" for family in families()), *(f"/guides/{name}" for name in guides())]
    async with service(record.url) as app:
        weights = [len((await asked(app, Call("GET", each, headers=BROWSER))).body) for each in every]
        call = Call("GET", path, headers=BROWSER)
        answer = await asked(app, call)
        unchanged = Call("GET", path, headers={**BROWSER, "if-none-match": answer.header("etag")})
        took, plain, same = await in_turns(
            Contestant(app, call),
            Contestant(_bare(answer.body), Call("GET", "/bare")),
            Contestant(app, unchanged, 304),
            seconds=3 * seconds,
        )
    style = len(assets()["pages.css"].content)
    note = f"{took * 1e6:.0f} µs, FastAPI alone {plain * 1e6:.0f}; unchanged (304) {same * 1e6:.0f}"
    return [
        Row(
            "a question's page, given again, beside a bare page of the same bytes",
            plain / took,
            "x",
            at_least(1 / 3),
            note,
        ),
        Row(
            "the median page, its stylesheet with it",
            (median(weights) + style) / 1000,
            "kB",
            at_most(60),
            f"{len(weights)} pages, the longest {max(weights) / 1000:.0f} kB; the stylesheet {style / 1000:.0f}",
        ),
    ]


def _bare(body: bytes) -> FastAPI:
    app = FastAPI(openapi_url=None)

    @app.get("/bare", response_class=HTMLResponse)
    async def get() -> HTMLResponse:
        return HTMLResponse(body)

    return app
