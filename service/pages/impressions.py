"""Leaving an impression without blinding: counted apart, and never pooled."""

from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.responses import Response
from uuid_utils.compat import uuid7

from service.api.parameters import Slug
from service.api.problems import Problem
from service.api.storage import Answer, Stored, write_once
from service.intake import asking
from service.intake.documents import Impression, QuestionDocument
from service.pages.forms import Form
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Signed, key_of
from service.pages.received import read_as
from service.pages.sessions import Present, Visitor
from service.record import contributors, questions

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_ADDRESS = "/questions/{slug}/impression"


@router.get(_ADDRESS)
async def ask_for_impression(request: Request, slug: Slug, storage: Stored, visitor: Present) -> Response:
    """Show the form, or where to sign in."""
    question = await storage.read(lambda session: asking.question_document(questions.by_slug(session, slug)))
    return _form(request, question, visitor, Form.over(Impression, {}))


def _form(request: Request, question: QuestionDocument, visitor: Visitor | None, form: Form) -> Response:
    shown: dict[str, Any] = {"question": question, "visitor": visitor, "form": form, "key": str(uuid7())}
    return page(request, "impression.html", status=422 if form.wrong else 200, headers=PRIVATE, **shown)


@router.post(_ADDRESS)
async def take_impression(request: Request, slug: Slug, storage: Stored, signed: Signed) -> Response:
    """Keep an impression, once, however often the button was pressed."""
    visitor, fields = signed
    form = Form.over(Impression, {name: fields.get(name, "") for name in ("leans", "text")})
    try:
        given = read_as(Impression, form.document())
    except Problem as problem:
        form.refuse(problem.faults)
        question = await storage.read(lambda session: asking.question_document(questions.by_slug(session, slug)))
        return _form(request, question, visitor, form)

    def keep(session: "Session") -> Answer:
        contributor = contributors.get(session, visitor.caller.id)
        return Answer({"id": asking.add_impression(session, contributor, questions.by_slug(session, slug), given).id})

    await write_once(request, storage, visitor.caller, key_of(fields), keep)
    return see_other(request, f"/questions/{slug}")
