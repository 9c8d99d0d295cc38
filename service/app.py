"""Where the rooms are joined, and nowhere else."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from os import environ
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service import __version__
from service.api import (
    account,
    contributors,
    drawings,
    evidence,
    exports,
    ledger,
    logs,
    metrics,
    openapi,
    proofs,
    questions,
    replications,
    service_routes,
    stewardship,
    trial_links,
    trials,
)
from service.api.boundary import Boundary, Refuse, as_document, request_id_of
from service.api.calculators import doors
from service.api.callers import Callers
from service.api.crew import MEETING_PLACE, Crew
from service.api.desk import Desk
from service.api.evidence_cache import EvidenceCache
from service.api.frames import Place
from service.api.helper import Helper
from service.api.limits import Limited
from service.api.metrics import Metrics, metrics_of
from service.api.problems import Problem, from_status, from_validation
from service.api.refusals import from_intake, from_record
from service.api.routing import methods_at
from service.api.shared_caches import SharedCaches
from service.api.storage import Storage
from service.intake.refusals import Refused
from service.pages.layout import refusal, wants_a_page
from service.pages.links_back import LinksBack
from service.pages.routes import ASKED_FOR_MOST
from service.pages.routes import ROUTERS as PAGES
from service.record import slow
from service.record.database import Database
from service.record.errors import RecordError
from service.settings import Settings

ROUTERS = (
    evidence.answers,  # first, because routes are tried in turn and these are asked for most
    ASKED_FOR_MOST,
    doors.router,
    contributors.router,
    account.router,
    stewardship.router,
    questions.router,
    replications.router,
    trials.router,
    trial_links.router,
    evidence.router,
    drawings.router,
    exports.router,
    ledger.router,
    proofs.router,
    service_routes.router,
    metrics.router,
    *PAGES,
)


def create_api(settings: Settings, database: Database) -> FastAPI:
    """Join the rooms into the application."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        async with crew.present():
            preparing = asyncio.create_task(desk.make_ready(api.state.storage))
            yield
            preparing.cancel()
        desk.helper.close()
        database.dispose()

    api = FastAPI(
        title="manybatch",
        version=__version__,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        swagger_ui_oauth2_redirect_url=None,
        redirect_slashes=False,
    )
    api.state.settings = settings
    api.state.storage = Storage(database, settings.threads)
    api.state.evidence = EvidenceCache()
    api.state.latest = api.state.storage.latest
    desk = api.state.desk = Desk(api.state, Helper(Place(*database.urls)))
    api.state.metrics = _watched(settings, api.state.storage, api.state.evidence, desk.helper)
    api.state.crew = crew = Crew(api.state.metrics.registry, _meeting_place())
    for router in ROUTERS:
        # Each route knows its whole path already: taken as they are, they match in a fraction of the time that routers
        # within routers take.
        api.router.routes.extend(router.routes)
    api.add_middleware(SharedCaches)
    api.add_middleware(LinksBack, public_url=settings.public_url)
    api.openapi = lambda: openapi.openapi_text(api)  # type: ignore[method-assign]
    _explain_refusals(api)
    return api


def _watched(settings: Settings, storage: Storage, cache: EvidenceCache, helper: Helper) -> Metrics:
    counters = Metrics()
    counters.watch(storage, cache, helper)

    def tell(statement: str, seconds: float, failed: bool) -> None:  # noqa: FBT001  the record's own way to tell
        logs.log_slow(statement, seconds, failed=failed)
        counters.count_slow()

    if settings.slow_query_ms >= 0:
        slow.watch(storage.database.engines().values(), settings.slow_query_ms / 1000, tell)
    return counters


def _meeting_place() -> Path | None:
    given = environ.get(MEETING_PLACE)
    return Path(given) if given else None


def _refuse_by(api: FastAPI) -> Refuse:
    """Refuse by a page where somebody reads, and by a problem document elsewhere; before a route was found, too."""

    def refuse(scope: Any, problem: Problem) -> Response:  # noqa: ANN401  an ASGI scope is any mapping
        request = Request({**scope, "app": api})
        return refusal(request, problem, request_id_of(scope)) if wants_a_page(request) else as_document(scope, problem)

    return refuse


def _explain_refusals(api: FastAPI) -> None:
    """Every refusal, the framework's own too, leaves as a problem document, or as a page where somebody reads."""
    refuse = _refuse_by(api)

    async def answer(request: Request, error: Exception) -> Response:
        return refuse(request.scope, _problem(request, error))

    for kind in (HTTPException, RequestValidationError, Refused, RecordError, Exception):
        api.add_exception_handler(kind, answer)


def _problem(request: Request, error: Exception) -> Problem:
    match error:
        case Problem():
            return error
        case RequestValidationError():
            return from_validation(error.errors())
        case HTTPException():
            detail = None if error.status_code in {404, 405} else error.detail
            headers = {"Allow": ", ".join(methods_at(request))} if error.status_code == 405 else error.headers
            return from_status(error.status_code, detail, headers)
        case Refused():
            return from_intake(error)
        case RecordError():
            return from_record(error)
        case _:
            return Problem("internal-error")


def create_app(settings: Settings | None = None, database: Database | None = None) -> Boundary:
    """Make the whole service: the application inside its boundary."""
    settings = settings or Settings()
    logs.configure(settings.log_level)
    database = database or Database(
        settings.database_url, read_url=settings.read_database_url, pool_size=settings.threads
    )
    if settings.sealing_key is not None:
        database.seal_under(settings.sealing_key.get_secret_value())
    api = create_api(settings, database)
    refuse = _refuse_by(api)
    limited = Limited(api, Callers(settings.trusted_proxies), refuse) if settings.rate_limits == "on" else api
    return Boundary(
        limited,
        max_body_bytes=settings.max_body_bytes,
        body_seconds=settings.body_seconds,
        observe=metrics_of(api).observe,
        refuse=refuse,
    )
