"""The form in which results are written down, as a page: of a new replication, or of one's own that goes on."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fastapi import Request
from starlette.responses import Response

from service.api.problems import Fault, Problem
from service.api.storage import storage_of
from service.api.strict_json import read_json
from service.intake.asking import question_document
from service.intake.documents import ProtocolDocument, QuestionDocument, Revision
from service.pages import replication_form
from service.pages.checking import check
from service.pages.forms import Form
from service.pages.intent import Intent
from service.pages.layout import PRIVATE, page
from service.pages.posted import Sent
from service.pages.review import review
from service.pages.sessions import Visitor
from service.pages.typed import Typed, typed_of
from service.record import questions

if TYPE_CHECKING:
    from service.record.database import Session


@dataclass(frozen=True, slots=True)
class Followed:
    """A question and the protocol version that a replication of it follows."""

    question: QuestionDocument
    protocol: ProtocolDocument
    version: int
    status: str


def followed_by(session: "Session", slug: str, version: int | None = None) -> Followed:
    """Find a question and one version of its protocol, the newest where none is named."""
    question = questions.by_slug(session, slug)
    found = questions.protocol(session, question, version)
    if found.document is None:
        raise Problem("gone")
    protocol = ProtocolDocument.model_validate(found.document)
    return Followed(question_document(question), protocol, found.version, question.status)


def laid(followed: Followed, typed: Typed) -> replication_form.Laid:
    """Lay the form out, filled in as far as it was."""
    return replication_form.laid_out(followed.question, followed.protocol, followed.version, typed)


def form_page(
    request: Request,
    followed: Followed,
    laid_out: replication_form.Laid,
    visitor: Visitor | None,
    intent: Intent,
    *,
    status: int = 200,
) -> Response:
    """Show the form."""
    shown: dict[str, Any] = {
        "followed": followed,
        "laid": laid_out,
        "form": laid_out.form,
        "visitor": visitor,
        "intent": intent,
    }
    return page(request, "write_down.html", status=status, headers=PRIVATE, **shown)


async def check_typed(
    request: Request, followed: Followed, visitor: Visitor | None, fields: Sent, intent: Intent
) -> Response:
    """Check what was typed, and show its report or what to mend; nothing is kept."""
    typed = replication_form.settled(fields)
    given = {"question": followed.question.slug or "", "protocol_version": str(followed.version)}
    form = Form.over(Revision, {**typed, **given, "reason": intent.reason})
    try:
        checked = await check(storage_of(request), _without_reason(form.document()), visitor, intent)
    except Problem as problem:
        laid_out = laid(followed, form.typed)
        laid_out.form.refuse(problem.faults or [Fault(pointer="", detail=str(problem.detail))])
        return form_page(request, followed, laid_out, visitor, intent, status=422)
    return review(request, checked, visitor)


def _without_reason(document: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in document.items() if name != "reason"}


def changed(request: Request, followed: Followed, visitor: Visitor | None, fields: Sent, intent: Intent) -> Response:
    """Show the form again with a document that was looked at, to change something."""
    document = replication_form.read(read_json(fields.get("document", "").encode()))
    typed = {**typed_of(document), "reason": intent.reason}
    return form_page(request, followed, laid(followed, typed), visitor, intent)
