"""Proofs over the ledger's tree (RFC 9162, 2.1.3 and 2.1.4), for whoever would rather not take our word."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.conditional import IMMUTABLE, REVALIDATE, matched, not_modified
from service.api.ledger import Hex
from service.api.routing import Route
from service.api.storage import Stored, json_response
from service.record import proofs

router = APIRouter(prefix="/v1/ledger", route_class=Route, tags=["ledger"])

_LARGEST = 2**53
_UNALTERED = "It establishes that the history is unaltered, not that what people submitted is true."


class Inclusion(BaseModel):
    """That one entry is in the ledger of a size: hash the leaf up along the path, and the root comes out."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)
    position: int = Field(description="Of the entry, from 1; RFC 9162 counts leaves from 0.")
    size: int
    leaf_hash: Hex
    root_hash: Hex
    path: list[Hex] = Field(description="From the leaf upwards (RFC 9162, 2.1.3.1).")


class Consistency(BaseModel):
    """That the ledger of one size begins that of another: nothing before was changed, left out or put in."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)
    first: int
    second: int
    first_root_hash: Hex
    second_root_hash: Hex
    path: list[Hex] = Field(description="RFC 9162, 2.1.4.1.")


@router.get(
    "/consistency",
    operation_id="prove_consistency",
    response_model=Consistency,
    summary="Prove that history was only added to",
    description=f"Prove that the ledger of one size begins that of another. {_UNALTERED}",
)
async def prove_consistency(
    request: Request,
    storage: Stored,
    from_: Annotated[int, Query(alias="from", ge=1, le=_LARGEST, description="The smaller size.")],
    to: Annotated[
        int | None, Query(ge=1, le=_LARGEST, description="The larger size; the present one if left out.")
    ] = None,
) -> Response:
    """Prove that the ledger of one size begins that of another."""
    found = await storage.read(lambda session: proofs.consistency(session, from_, to))
    return _answer(
        request, f'"c{found.first}-{found.second}"', Consistency.model_validate(found), pinned=to is not None
    )


@router.get(
    "/{position}/proof",
    operation_id="prove_inclusion",
    response_model=Inclusion,
    summary="Prove that an entry is in the ledger",
    description=f"Prove that an entry is in the ledger of a size. {_UNALTERED}",
)
async def prove_inclusion(
    request: Request,
    storage: Stored,
    position: Annotated[int, Path(ge=1, le=_LARGEST, description="Of the entry.")],
    size: Annotated[
        int | None, Query(ge=1, le=_LARGEST, description="Of the ledger; the present one if left out.")
    ] = None,
) -> Response:
    """Prove that an entry is in the ledger of a size."""
    found = await storage.read(lambda session: proofs.inclusion(session, position, size))
    return _answer(
        request, f'"i{found.position}-{found.size}"', Inclusion.model_validate(found), pinned=size is not None
    )


def _answer(request: Request, tag: str, body: BaseModel, *, pinned: bool) -> Response:
    lasting = IMMUTABLE if pinned else REVALIDATE
    if matched(request, tag):
        return not_modified(tag, lasting)
    return json_response(body, headers={"ETag": tag, "Cache-Control": lasting})
