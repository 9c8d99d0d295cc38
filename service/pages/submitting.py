"""A new replication: its form by the question's protocol, or a whole document."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.parameters import Slug
from service.api.problems import Fault, Problem
from service.api.storage import Stored
from service.api.strict_json import read_json
from service.pages import replication_form
from service.pages.checking import check
from service.pages.intent import Intent
from service.pages.layout import PRIVATE, page
from service.pages.posted import Form
from service.pages.review import review
from service.pages.sessions import Present
from service.pages.writing_down import changed, check_typed, followed_by, form_page, laid

router = APIRouter(include_in_schema=False)


@router.get("/questions/{slug}/take-part")
async def write_down(request: Request, slug: Slug, storage: Stored, visitor: Present) -> Response:
    """Show the form of a question: register a plan, or write down what came out."""
    followed = await storage.read(lambda session: followed_by(session, slug))
    return form_page(request, followed, laid(followed, {}), visitor, Intent("submit"))


@router.post("/questions/{slug}/take-part")
async def check_form(request: Request, slug: Slug, storage: Stored, visitor: Present, fields: Form) -> Response:
    """Check what was typed, and show its report or what to mend; nothing is kept."""
    followed = await storage.read(lambda session: followed_by(session, slug))
    act = fields.pop("act", "check")
    if act == "edit":
        return changed(request, followed, visitor, fields, Intent("submit"))
    return await check_typed(
        request, followed, visitor, fields, Intent("register") if act == "register" else Intent("submit")
    )


@router.get("/take-part/document")
async def paste(request: Request) -> Response:
    """Show a place for a whole document, pasted or as a file."""
    return _place(request, "", [])


def _place(request: Request, text: str, faults: list[Fault], status: int = 200) -> Response:
    shown: dict[str, Any] = {"text": text, "faults": faults, "intent": None, "visitor": None}
    return page(request, "document.html", status=status, headers=PRIVATE, **shown)


@router.post("/take-part/document")
async def check_document(request: Request, storage: Stored, visitor: Present, fields: Form) -> Response:
    """Check a whole document, and show its report or what to mend; nothing is kept."""
    text = fields.get("file") or fields.get("document", "")
    try:
        document = replication_form.read(read_json(text.encode()))
        intent = Intent("register") if document.get("state") == "registered" else Intent("submit")
        checked = await check(storage, document, visitor, intent)
    except Problem as problem:
        return _place(request, text, [*problem.faults] or [Fault(pointer="", detail=str(problem.detail))], 422)
    return review(request, checked, visitor)
