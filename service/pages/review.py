"""The report, before anything is kept; and the button that keeps it."""

import json
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.responses import Response
from uuid_utils.compat import uuid7

from service.api.problems import Problem
from service.api.storage import Answer, Stored, write_once
from service.api.strict_json import read_json
from service.intake.strict import plain
from service.pages import replication_form
from service.pages.checking import Checked, follow, replication_of
from service.pages.intent import carry_out, read_intent
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Form, Sent, key_of
from service.pages.sessions import Visitor, caller_of, mark_of, refuse_without_mark, sign_in, visitor_of
from service.pages.take_part import somebody

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)


def review(request: Request, checked: Checked, visitor: Visitor | None) -> Response:
    """Show what would come of a document that would be taken."""
    shown: dict[str, Any] = {
        "report": checked.report,
        "intent": checked.intent,
        "slug": checked.document.question,
        "title": checked.question,
        "document": json.dumps(plain(checked.document), ensure_ascii=False),
        "key": str(uuid7()),
        "visitor": visitor,
    }
    return page(request, "review.html", headers=PRIVATE, **shown)


@router.post("/take-part/confirm")
async def confirm(request: Request, storage: Stored, fields: Form) -> Response:
    """Keep what was looked at, once, however often the button was pressed."""
    visitor, token = await _who(request, fields)
    intent = read_intent(fields)
    document = replication_of(replication_form.read(read_json(fields.get("document", "").encode())), intent)
    key, followed = key_of(fields), await follow(document)

    def keep(session: "Session") -> Answer:
        kept = carry_out(session, visitor, document, intent, followed)
        return Answer({"id": str(kept.replication.id)}, 201)

    answer = await write_once(request, storage, visitor.caller, key, keep)
    made = json.loads(bytes(answer.body))["id"]
    response = see_other(request, "/take-part" if intent.state == "registered" else f"/replications/{made}")
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
