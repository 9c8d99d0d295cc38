"""One replication: what it shows by itself, and everything that was reported."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from uuid import UUID

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.problems import Problem
from service.api.storage import Stored
from service.intake import submission
from service.pages.layout import alternate, mark, page
from service.record import questions, replication_reads

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_UNSAID: Mapping[str, Any] = {
    "assignment": None,
    "batches": [],
    "conditions": {},
    "kitchen": "",
    "notes": "",
    "suspected_confounds": [],
}


@router.get("/replications/{replication_id}")
async def read_replication(request: Request, replication_id: UUID, storage: Stored) -> Response:
    """Show a submitted replication with its report and its history."""

    def look(session: "Session") -> tuple[str, Mapping[str, Any] | None]:
        replication = replication_reads.get(session, replication_id)
        if not replication_reads.is_public(replication):
            raise Problem("not-found")
        if replication.state == "erased":
            raise Problem("gone")
        asked = replication.withdrawal_asked_position is not None
        tag = f'"page-r{replication.revision}-{replication.state}-{asked:d}-{mark()}"'
        if matched(request, tag):
            return tag, None
        document = replication_reads.document(session, replication)
        if document is None:
            raise Problem("gone")
        question = questions.get(session, replication.question_id)
        return tag, {
            "id": replication.id,
            "replication": replication,
            "question": question,
            "labels": {arm["key"]: arm["label"] for arm in question.arms},
            "document": {**_UNSAID, **submission.shown(replication, document)},
            "report": submission.report_of(session, replication),
            "revisions": replication_reads.revisions(session, replication),
            "withdrawal_asked": asked,
            "drawn": any(batch.get("readings") for batch in document.get("batches", ())),
        }

    tag, shown = await storage.read(look)
    if shown is None:
        return not_modified(tag)
    headers = {"ETag": tag, "Cache-Control": REVALIDATE, **alternate(request, f"/v1/replications/{replication_id}")}
    return page(request, "replication.html", headers=headers, **shown)
