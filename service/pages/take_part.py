"""Becoming a contributor, signing in and out, and one's own work."""

import re
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.api.problems import Problem
from service.api.security import hashed, new_secret
from service.api.storage import Stored
from service.intake.documents import NewContributor
from service.pages.forms import Form
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Form as PostedForm
from service.pages.posted import Signed
from service.pages.received import read_as
from service.pages.sessions import Present, Visitor, caller_of, sign_in, sign_out
from service.record import contributors, questions, replication_reads

if TYPE_CHECKING:
    from service.api.storage import Storage
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_HOME = "/take-part"
_PATH = re.compile(r"/[a-z0-9/_-]{0,200}", re.ASCII)
_MOST_OF_MINE = 100
Back = Annotated[str, Query(max_length=200)]


def _inside(path: str) -> str:
    """Let a form send people on to a page of ours, and to nothing else."""
    return path if _PATH.fullmatch(path) and not path.startswith("//") else _HOME


@router.get(_HOME)
async def home(request: Request, storage: Stored, visitor: Present, back: Back = _HOME) -> Response:
    """Show one's own work, or how to begin."""
    if visitor is None:
        return _begin(request, back=_inside(back))
    return await _mine(request, storage, visitor)


def _begin(request: Request, *, back: str, wrong: str = "", form: Form | None = None, status: int = 200) -> Response:
    shown: dict[str, Any] = {"back": back, "wrong": wrong, "form": form or Form.over(NewContributor, {})}
    return page(request, "begin.html", status=status, headers=PRIVATE, **shown)


async def _mine(request: Request, storage: "Storage", visitor: Visitor) -> Response:
    def look(session: "Session") -> tuple[list[Any], dict[Any, str], list[Any]]:
        found = replication_reads.page(
            session, contributor_id=visitor.caller.id, public_only=False, limit=_MOST_OF_MINE
        )
        titles = {each: questions.get(session, each).title for each in {row.question_id for row in found}}
        open_ones = [row.question for row in questions.page(session, status="open", limit=_MOST_OF_MINE)]
        return found, titles, open_ones

    found, titles, open_ones = await storage.read(look)
    shown: dict[str, Any] = {"visitor": visitor, "replications": found, "titles": titles, "questions": open_ones}
    return page(request, "mine.html", headers=PRIVATE, **shown)


@router.post("/take-part/sign-in")
async def take_token(request: Request, fields: PostedForm) -> Response:
    """Sign a contributor in by their token."""
    token, back = fields.get("token", "").strip(), _inside(fields.get("back", _HOME))
    if not token or await caller_of(request, token) is None:
        wrong = "This token is not known, or was replaced or revoked: look for missing characters."
        return _begin(request, back=back, wrong=wrong, status=422)
    response = see_other(request, back)
    sign_in(request, response, token)
    return response


@router.post("/take-part/sign-out")
async def leave(request: Request, signed: Signed) -> Response:
    """Forget the token in this browser; elsewhere it goes on working."""
    del signed
    response = see_other(request, "/")
    sign_out(request, response)
    return response


@router.post("/take-part/begin")
async def begin(request: Request, storage: Stored, fields: PostedForm) -> Response:
    """Make a contributor, sign them in, and show their token this once."""
    form = Form.over(NewContributor, {"display_name": fields.get("display_name", "")})
    try:
        given = read_as(NewContributor, form.document())
    except Problem as problem:
        form.refuse(problem.faults)
        return _begin(request, back=_inside(fields.get("back", _HOME)), form=form, status=422)
    token = new_secret()
    await storage.write(
        lambda session: contributors.create(session, display_name=given.display_name, token_hash=hashed(token))
    )
    shown: dict[str, Any] = {"name": given.display_name, "token": token, "back": _inside(fields.get("back", _HOME))}
    response = page(request, "begun.html", headers=PRIVATE, **shown)
    sign_in(request, response, token)
    return response


def somebody(visitor: Visitor | None) -> Visitor:
    """Require that somebody is signed in."""
    if visitor is None:
        raise Problem("not-signed-in", "sign in first, under “Take part”")
    return visitor
