"""Going on with a replication of one's own: save more of it, submit it, amend it, or take it back."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.problems import Fault, Problem
from service.api.refusals import from_intake, from_record
from service.api.storage import Storage, Stored
from service.api.strict_json import read_json
from service.intake import submission
from service.intake.documents import Withdrawal
from service.intake.refusals import Refused
from service.intake.report_models import Report
from service.pages import replication_form
from service.pages.checking import check
from service.pages.forms import Form
from service.pages.intent import Act, Intent, read_revision
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Sent, Signed
from service.pages.received import read_as
from service.pages.review import review
from service.pages.sessions import Present, Visitor
from service.pages.take_part import somebody
from service.pages.typed import typed_of
from service.pages.writing_down import Followed, changed, check_typed, followed_by, form_page, laid
from service.record import contributors, questions, replication_reads
from service.record.errors import RecordError

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_ADDRESS = "/take-part/replications/{replication_id}"
# As many single values as a form may carry; a longer document is mended as a document.
_MOST_VALUES = 1500
_NOT_IN_FORMS = frozenset({"plan", "state"})


@dataclass(frozen=True, slots=True)
class _Own:
    """A replication of the visitor's own, as it stands."""

    id: UUID
    followed: Followed
    document: Mapping[str, Any]
    state: str
    revision: int
    asked: bool
    report: Report

    @property
    def act(self) -> Act:
        """What its form is for."""
        return "report" if self.state == "registered" else "amend"


async def _own(storage: Storage, visitor: Visitor, replication_id: UUID) -> _Own:
    def look(session: "Session") -> _Own:
        replication = submission.owned(session, contributors.get(session, visitor.caller.id), replication_id)
        document = replication_reads.document(session, replication)
        if document is None:
            raise Problem("gone")
        slug = questions.get(session, replication.question_id).slug
        return _Own(
            replication.id,
            followed_by(session, slug, replication.protocol_version),
            document,
            replication.state,
            replication.revision,
            replication.withdrawal_asked_position is not None,
            submission.report_of(session, replication),
        )

    own = await storage.read(look)
    if own.state not in {"registered", "submitted"}:
        raise Problem("conflict", f"this replication was {own.state}: nothing more is written into it")
    return own


@router.get(_ADDRESS)
async def go_on(request: Request, replication_id: UUID, storage: Stored, visitor: Present) -> Response:
    """Show the form of one's own replication, with what it holds."""
    who = somebody(visitor)
    own = await _own(storage, who, replication_id)
    typed = typed_of({name: value for name, value in own.document.items() if name not in _NOT_IN_FORMS})
    if len(typed) > _MOST_VALUES:
        return see_other(request, f"/take-part/replications/{replication_id}/document")
    intent = Intent(own.act, replication_id, own.revision)
    return form_page(request, own.followed, laid(own.followed, typed), who, intent)


def _intent(own: _Own, fields: Sent, act: str = "") -> Intent:
    chosen: Act = "save" if act == "save" and own.act == "report" else own.act
    return Intent(chosen, own.id, read_revision(fields), fields.pop("reason", ""))


@router.post(_ADDRESS)
async def check_further(request: Request, replication_id: UUID, storage: Stored, signed: Signed) -> Response:
    """Check what was written into one's own replication, and show the report; nothing is kept."""
    visitor, fields = signed
    own = await _own(storage, visitor, replication_id)
    act = fields.pop("act", "check")
    intent = _intent(own, fields, act)
    if act == "edit":
        return changed(request, own.followed, visitor, fields, intent)
    fields.pop("revision", None)
    return await check_typed(request, own.followed, visitor, fields, intent)


@router.get(f"{_ADDRESS}/document")
async def as_document(request: Request, replication_id: UUID, storage: Stored, visitor: Present) -> Response:
    """Show one's own replication as a document, to be mended or replaced whole."""
    who = somebody(visitor)
    own = await _own(storage, who, replication_id)
    text = json.dumps({name: value for name, value in own.document.items() if name != "state"}, indent=2)
    return _place(request, who, Intent(own.act, own.id, own.revision), text)


def _place(
    request: Request, visitor: Visitor, intent: Intent, text: str, faults: list[Fault] | None = None
) -> Response:
    shown: dict[str, Any] = {"text": text, "faults": faults or [], "intent": intent, "visitor": visitor}
    return page(request, "document.html", status=422 if faults else 200, headers=PRIVATE, **shown)


@router.post(f"{_ADDRESS}/document")
async def check_whole(request: Request, replication_id: UUID, storage: Stored, signed: Signed) -> Response:
    """Check a whole document in place of what one's own replication holds; nothing is kept."""
    visitor, fields = signed
    own = await _own(storage, visitor, replication_id)
    intent = _intent(own, fields, fields.get("act", ""))
    text = fields.get("file") or fields.get("document", "")
    try:
        document = replication_form.read(read_json(text.encode()))
        checked = await check(storage, document, visitor, intent)
    except Problem as problem:
        faults = [*problem.faults] or [Fault(pointer="", detail=str(problem.detail))]
        return _place(request, visitor, intent, text, faults)
    return review(request, checked, visitor)


@router.get(f"{_ADDRESS}/withdraw")
async def before_withdrawal(request: Request, replication_id: UUID, storage: Stored, visitor: Present) -> Response:
    """Show what withdrawing would mean, and what the replication shows, before it is done."""
    who = somebody(visitor)
    return _withdrawing(request, who, await _own(storage, who, replication_id), Form.over(Withdrawal, {}))


def _withdrawing(request: Request, visitor: Visitor, own: _Own, form: Form) -> Response:
    shown: dict[str, Any] = {"own": own, "visitor": visitor, "form": form}
    return page(request, "withdraw.html", status=422 if form.wrong else 200, headers=PRIVATE, **shown)


@router.post(f"{_ADDRESS}/withdraw")
async def withdraw(request: Request, replication_id: UUID, storage: Stored, signed: Signed) -> Response:
    """Withdraw one's own replication, or ask for it."""
    visitor, fields = signed
    form = Form.over(Withdrawal, {name: fields.get(name, "") for name in ("category", "reason")})

    def act(session: "Session") -> None:
        contributor = contributors.get(session, visitor.caller.id)
        submission.withdraw(session, contributor, replication_id, withdrawal)

    try:
        withdrawal = read_as(Withdrawal, form.document())
        await storage.write(act)
    except (Problem, Refused, RecordError) as refused:
        problem = _problem(refused)
        own = await _own(storage, visitor, replication_id)
        form.refuse(problem.faults or [Fault(pointer="", detail=str(problem.detail))])
        return _withdrawing(request, visitor, own, form)
    return see_other(request, "/take-part")


def _problem(refused: Problem | Refused | RecordError) -> Problem:
    match refused:
        case Problem():
            return refused
        case Refused():
            return from_intake(refused)
        case _:
            return from_record(refused)
