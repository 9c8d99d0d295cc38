"""Asking a question with its first protocol: one form, kept in one transaction by the interface's own rules."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.responses import Response
from uuid_utils.compat import uuid7

from service.api.problems import Problem
from service.api.storage import Answer, Stored, write_once
from service.intake import asking
from service.intake.documents import TASTING_OUTCOMES, ProtocolDocument, QuestionDocument
from service.intake.outcomes import OUTCOMES
from service.intake.strict import Strict
from service.pages.forms import Form
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Signed, key_of
from service.pages.received import read_as
from service.pages.sessions import Present, Visitor
from service.pages.typed import Typed
from service.pages.wording import SPLIT_POINTS, outcome, sentence
from service.record import contributors

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_ADDRESS = "/take-part/ask"
_ROWS = 3
_OFFERED = {
    "split_point": list(SPLIT_POINTS.items()),
    "outcome": [(name, sentence(outcome(name))) for name in (*TASTING_OUTCOMES, *OUTCOMES)],
}


class Asked(Strict):
    """A question, and the first version of its protocol."""

    question: QuestionDocument
    protocol: ProtocolDocument


def _form_of(typed: Typed) -> Form:
    return Form.over(Asked, typed, blank_rows=_ROWS, offered=_OFFERED)


@router.get(_ADDRESS)
async def ask(request: Request, visitor: Present) -> Response:
    """Show the form, or where to sign in."""
    return _page(request, visitor, _form_of({}))


def _page(request: Request, visitor: Visitor | None, form: Form) -> Response:
    shown: dict[str, Any] = {"visitor": visitor, "form": form, "key": str(uuid7())}
    return page(request, "new_question.html", status=422 if form.wrong else 200, headers=PRIVATE, **shown)


@router.post(_ADDRESS)
async def take_question(request: Request, storage: Stored, signed: Signed) -> Response:
    """Publish a question and its protocol, once, however often the button was pressed."""
    visitor, fields = signed
    form = _form_of(fields)
    try:
        given = read_as(Asked, _with_names(form.document()))
    except Problem as problem:
        form.refuse(problem.faults)
        return _page(request, visitor, form)

    def keep(session: "Session") -> Answer:
        contributor = contributors.get(session, visitor.caller.id)
        question = asking.add_question(session, contributor, given.question)
        asking.add_protocol(session, contributor, question, given.protocol)
        return Answer({"slug": question.slug}, 201, f"/questions/{question.slug}")

    answer = await write_once(request, storage, visitor.caller, key_of(fields), keep)
    return see_other(request, answer.headers["location"])


def _with_names(document: Mapping[str, Any]) -> dict[str, Any]:
    """Give the arms the short names that documents use, the first of them the control's; and conditions theirs."""
    question, protocol = dict(document.get("question", {})), dict(document.get("protocol", {}))
    question["arms"] = [
        {**arm, "key": _short_name(number), "is_control": not number}
        for number, arm in enumerate(question.get("arms", []))
    ]
    if "trial" in protocol:
        protocol["trial"] |= {"control": _short_name(0), "treatment": _short_name(1)}
    for each in protocol.get("held_constant", []):
        if "key" in each:
            each["key"] = "_".join(str(each["key"]).lower().split())
    return {"question": question, "protocol": protocol}


def _short_name(number: int) -> str:
    return "control" if number == 0 else "treatment" if number == 1 else f"treatment-{number}"
