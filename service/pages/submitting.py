"""Writing a replication down: check it, look at its report, and only then let it be kept."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

from fastapi import APIRouter, Request
from starlette.responses import Response
from uuid_utils.compat import uuid7

from service.api.parameters import Slug
from service.api.problems import Fault, Problem
from service.api.storage import Answer, Stored, storage_of, write_once
from service.api.strict_json import read_json
from service.intake import submission
from service.intake.asking import question_document
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.strict import plain
from service.pages import replication_form
from service.pages.checking import Checked, check, completed, validated
from service.pages.forms import Form
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Form as PostedForm
from service.pages.posted import Sent
from service.pages.sessions import Present, Visitor, caller_of, mark_of, refuse_without_mark, sign_in, visitor_of
from service.pages.take_part import somebody
from service.pages.typed import Typed, typed_of
from service.record import contributors, questions, replication_reads

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class _Followed:
    """A question and the protocol version that a replication of it follows."""

    question: QuestionDocument
    protocol: ProtocolDocument
    version: int
    status: str


def _followed(session: "Session", slug: str, version: int | None = None) -> _Followed:
    question = questions.by_slug(session, slug)
    found = questions.protocol(session, question, version)
    if found.document is None:
        raise Problem("gone")
    protocol = ProtocolDocument.model_validate(found.document)
    return _Followed(question_document(question), protocol, found.version, question.status)


def _laid(followed: _Followed, typed: Typed) -> replication_form.Laid:
    return replication_form.laid_out(followed.question, followed.protocol, followed.version, typed)


@router.get("/questions/{slug}/take-part")
async def write_down(request: Request, slug: Slug, storage: Stored, visitor: Present) -> Response:
    """Show the form of a question: register a plan, or write down what came out."""
    followed = await storage.read(lambda session: _followed(session, slug))
    return _form(request, followed, _laid(followed, {}), visitor)


def _form(
    request: Request,
    followed: _Followed,
    laid: replication_form.Laid,
    visitor: Visitor | None,
    *,
    status: int = 200,
    about: UUID | None = None,
) -> Response:
    shown: dict[str, Any] = {"followed": followed, "laid": laid, "form": laid.form, "visitor": visitor, "about": about}
    return page(request, "write_down.html", status=status, headers=PRIVATE, **shown)


@router.post("/questions/{slug}/take-part")
async def check_form(request: Request, slug: Slug, storage: Stored, visitor: Present, fields: PostedForm) -> Response:
    """Check what was typed, and show its report or what to mend; nothing is kept."""
    followed = await storage.read(lambda session: _followed(session, slug))
    return await _check_typed(request, followed, visitor, fields, about=None)


@router.get("/take-part/replications/{replication_id}")
async def go_on(request: Request, replication_id: UUID, storage: Stored, visitor: Present) -> Response:
    """Show the form of a plan that was registered, to write down what came out."""
    who = somebody(visitor)

    def look(session: "Session") -> tuple[_Followed, Mapping[str, Any]]:
        replication = submission.owned(session, contributors.get(session, who.caller.id), replication_id)
        if replication.state != "registered":
            raise Problem("conflict", "this replication was submitted already; an amendment goes by the interface")
        slug = questions.get(session, replication.question_id).slug
        document = replication_reads.document(session, replication) or {}
        return _followed(session, slug, replication.protocol_version), document

    followed, document = await storage.read(look)
    kept = {name: value for name, value in document.items() if name not in {"plan", "state"}}
    return _form(request, followed, _laid(followed, typed_of(kept)), who, about=replication_id)


@router.post("/take-part/replications/{replication_id}")
async def check_results(
    request: Request, replication_id: UUID, storage: Stored, visitor: Present, fields: PostedForm
) -> Response:
    """Check the results of a registered plan; nothing is kept."""
    who = somebody(visitor)
    refuse_without_mark(who, fields.pop("mark", ""))

    def look(session: "Session") -> _Followed:
        replication = submission.owned(session, contributors.get(session, who.caller.id), replication_id)
        slug = questions.get(session, replication.question_id).slug
        return _followed(session, slug, replication.protocol_version)

    return await _check_typed(request, await storage.read(look), who, fields, about=replication_id)


async def _check_typed(
    request: Request, followed: _Followed, visitor: Visitor | None, fields: Sent, *, about: UUID | None
) -> Response:
    act = fields.pop("act", "check")
    if act == "edit":
        document = replication_form.read(read_json(fields.get("document", "").encode()))
        return _form(request, followed, _laid(followed, typed_of(document)), visitor, about=about)
    typed = replication_form.settled(fields)
    given = {"question": followed.question.slug or "", "protocol_version": str(followed.version)}
    form = Form.over(ReplicationDocument, {**typed, **given})
    document = form.document() | {"state": "registered" if act == "register" else "submitted"}
    try:
        checked = await check(storage_of(request), document, visitor, about)
    except Problem as problem:
        laid = _laid(followed, form.typed)
        laid.form.refuse(problem.faults or [Fault(pointer="", detail=str(problem.detail))])
        return _form(request, followed, laid, visitor, status=422, about=about)
    return _review(request, checked, visitor, about)


@router.get("/take-part/document")
async def paste(request: Request) -> Response:
    """Show a place for a whole document, pasted or as a file."""
    return page(request, "document.html", headers=PRIVATE, text="", faults=[])


@router.post("/take-part/document")
async def check_document(request: Request, storage: Stored, visitor: Present, fields: PostedForm) -> Response:
    """Check a whole document, and show its report or what to mend; nothing is kept."""
    text = fields.get("file") or fields.get("document", "")
    try:
        document = replication_form.read(read_json(text.encode()))
        checked = await check(storage, document, visitor, None)
    except Problem as problem:
        faults = problem.faults or [Fault(pointer="", detail=str(problem.detail))]
        return page(request, "document.html", status=422, headers=PRIVATE, text=text, faults=faults)
    return _review(request, checked, visitor, None)


def _review(request: Request, checked: Checked, visitor: Visitor | None, about: UUID | None) -> Response:
    document = json.dumps(plain(checked.document), ensure_ascii=False)
    shown: dict[str, Any] = {
        "report": checked.report,
        "registers": checked.document.state == "registered",
        "slug": checked.document.question,
        "title": checked.question,
        "document": document,
        "key": str(uuid7()),
        "visitor": visitor,
        "about": about,
    }
    return page(request, "review.html", headers=PRIVATE, **shown)


@router.post("/take-part/confirm")
async def confirm(request: Request, storage: Stored, fields: PostedForm) -> Response:
    """Keep what was looked at, once, however often the button was pressed."""
    visitor, token = await _who(request, fields)
    document = validated(replication_form.read(read_json(fields.get("document", "").encode())))
    about = _about(fields.get("about", ""))
    key = fields.get("key", "")
    if not key.isascii() or not key.isprintable() or not 1 <= len(key) <= 64:
        raise Problem("malformed-request", "this form is incomplete; look at the report again and send it from there")

    def keep(session: "Session") -> Answer:
        if about is not None:
            kept = completed(session, document, visitor, about)
        else:
            kept = submission.post_replication(session, contributors.get(session, visitor.caller.id), document)
        return Answer({"id": str(kept.replication.id)}, 201)

    answer = await write_once(request, storage, visitor.caller, key, keep)
    made = json.loads(bytes(answer.body))["id"]
    there = "/take-part" if document.state == "registered" else f"/replications/{made}"
    response = see_other(request, there)
    if token:
        sign_in(request, response, token)
    return response


async def _who(request: Request, fields: Sent) -> tuple[Visitor, str]:
    """Tell who sends: by a token typed beside the document, or by the cookie and the form's mark."""
    token = fields.get("token", "").strip()
    if token:
        caller = await caller_of(request, token)
        if caller is None:
            raise Problem("not-signed-in", "this token is not known, or was replaced or revoked")
        return Visitor(caller, mark_of(token)), token
    visitor = somebody(await visitor_of(request))
    refuse_without_mark(visitor, fields.get("mark", ""))
    return visitor, ""


def _about(text: str) -> UUID | None:
    try:
        return UUID(text) if text else None
    except ValueError:
        raise Problem("not-found") from None
