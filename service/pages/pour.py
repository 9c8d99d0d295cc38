"""The helper's page: what to pour under which code, made for paper. Opening it is written down."""

from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.storage import Stored
from service.intake.pouring import close_as_helper, pour_sheet
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import pairs
from service.pages.secret_links import door_page, enter, home_of, link_hash, mark_of, require_mark, secret_of
from service.record import questions, replication_reads, trials

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)


@router.get("/pour/{secret}")
async def door(request: Request, secret: str) -> Response:
    """Ask whether to open the sheet; nothing is looked up, and nothing written down."""
    del secret
    return door_page(request, "pour")


@router.post("/pour/{secret}")
async def begin(request: Request, secret: str, storage: Stored) -> Response:
    """Trade the link for a page of the helper's own."""
    await storage.read(lambda session: trials.by_helper_hash(session, link_hash(secret)))
    return enter(request, "pour", secret)


@router.get("/pour/at/{mark}")
async def read_sheet(request: Request, mark: str, storage: Stored) -> Response:
    """Show the pour sheet."""
    secret = secret_of(request, "pour", mark)

    def look(session: "Session") -> dict[str, Any]:
        sheet = pour_sheet(session, link_hash(secret))
        trial = trials.by_helper_hash(session, link_hash(secret))
        replication = replication_reads.get(session, trial.replication_id)
        question = questions.get(session, replication.question_id)
        return {"sheet": sheet, "labels": {arm["key"]: arm["label"] for arm in question.arms}}

    shown = await storage.write(look)
    home = home_of("pour", secret)
    return page(request, "pour.html", headers=PRIVATE, home=home, mark=mark_of(secret), **shown)


@router.post("/pour/at/{mark}")
async def end_early(request: Request, mark: str, storage: Stored) -> Response:
    """End the trial before its last answer, for all to see."""
    secret = secret_of(request, "pour", mark)
    require_mark(secret, dict(await pairs(request)))
    await storage.write(lambda session: close_as_helper(session, link_hash(secret)).id)
    return see_other(request, home_of("pour", secret))
