from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.paging import Limit, Page, listed
from service.api.routing import Route
from service.api.storage import Stored, json_response
from service.record import ledger
from service.record.canonical import rfc3339

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(route_class=Route, tags=["ledger"])


Hex = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
At = Annotated[
    str,
    Field(
        description="When, UTC, in the form that leaves are hashed in: six digits of a second, then Z.",
        examples=["2026-05-01T08:00:00.000000Z"],
        json_schema_extra={"format": "date-time"},
    ),
]


class LedgerItem(BaseModel):
    """One entry: what happened, when, and the hash of its salted content."""

    model_config = ConfigDict(extra="forbid")
    position: int = Field(description="From 1, without gaps.")
    kind: str
    subject: str
    at: At
    content_hash: Hex = Field(description="SHA-256 over salt and canonical content, hex.")
    leaf_hash: Hex = Field(description="RFC 9162 leaf hash, hex.")


class TreeHead(BaseModel):
    """The RFC 9162 tree head over the whole ledger."""

    model_config = ConfigDict(extra="forbid")
    size: int
    root_hash: Hex
    at: At | None


@router.get("/v1/ledger", operation_id="list_ledger", response_model=Page[LedgerItem], summary="The ledger's entries")
async def list_ledger(
    request: Request,
    storage: Stored,
    limit: Limit = 50,
    after: Annotated[int, Query(ge=0, le=2**53, description="Entries above this position.")] = 0,
) -> Response:
    """List entries in order. The ledger shows that history was not altered; it cannot show that people were honest."""

    def look(session: "Session") -> tuple[list[LedgerItem], int]:
        found = ledger.entries(session, after=after, limit=limit)
        items = [
            LedgerItem(
                position=row.position,
                kind=row.kind,
                subject=row.subject,
                at=rfc3339(row.at),
                content_hash=row.content_hash,
                leaf_hash=row.leaf_hash,
            )
            for row in found
        ]
        return items, ledger.head(session).size

    items, size = await storage.read(look)
    more = str(items[-1].position) if items and items[-1].position < size else None
    return listed(request, items, more)


@router.get("/v1/ledger/head", operation_id="read_ledger_head", response_model=TreeHead, summary="The tree head")
async def read_ledger_head(request: Request, storage: Stored) -> Response:
    """Give the size and root of the whole ledger."""
    head = await storage.read(ledger.head)
    tag = f'"h{head.size}"'
    if matched(request, tag):
        return not_modified(tag)
    body = TreeHead(size=head.size, root_hash=head.root_hash, at=head.at and rfc3339(head.at))
    return json_response(body, headers={"ETag": tag, "Cache-Control": REVALIDATE})
