from typing import TYPE_CHECKING, Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.desk import Desk
from service.api.evidence import (
    EvidenceQuery,
    Word,
    lasting,
    position_asked,
    refuse_unknown_arms,
    refuse_unshipped,
    tag_of,
)
from service.api.parameters import Slug
from service.api.problems import Problem
from service.api.routing import Route
from service.api.storage import Stored
from service.record import questions, replication_reads

if TYPE_CHECKING:
    from service.api.evidence_cache import EvidenceCache
    from service.evidence.drawing import Format
    from service.record.database import Session
    from service.record.tables import Question

router = APIRouter(prefix="/v1", route_class=Route, tags=["drawings"])

Drawing = Literal["forest", "path"]


class SvgResponse(Response):
    """A drawing as SVG, with its text as text."""

    media_type = "image/svg+xml"


class PngResponse(Response):
    """A drawing as PNG."""

    media_type = "image/png"


class DrawingQuery(EvidenceQuery):
    """The evidence's own filters, and which outcome is drawn."""

    outcome: Word | None = Field(
        None, description="`perceivable_difference` or a measured outcome; the primary where left out."
    )


Asked = Annotated[DrawingQuery, Query()]


@router.get(
    "/questions/{slug}/evidence/forest.svg",
    operation_id="draw_forest_as_svg",
    response_class=SvgResponse,
    summary="The studies and their mean, as SVG",
)
async def forest_svg(request: Request, slug: Slug, query: Asked, storage: Stored) -> Response:
    """Draw every study with its interval, the mean under them, and where the next household may fall."""
    return await _of_question(request, slug, query, storage, "forest", "svg")


@router.get(
    "/questions/{slug}/evidence/forest.png",
    operation_id="draw_forest_as_png",
    response_class=PngResponse,
    summary="The studies and their mean, as PNG",
)
async def forest_png(request: Request, slug: Slug, query: Asked, storage: Stored) -> Response:
    """Draw the same as the SVG."""
    return await _of_question(request, slug, query, storage, "forest", "png")


@router.get(
    "/questions/{slug}/evidence/path.svg",
    operation_id="draw_path_as_svg",
    response_class=SvgResponse,
    summary="What could be said after each study, as SVG",
)
async def path_svg(request: Request, slug: Slug, query: Asked, storage: Stored) -> Response:
    """Draw the any-time evidence, or the any-time interval of a mean, after each study in order of receipt."""
    return await _of_question(request, slug, query, storage, "path", "svg")


@router.get(
    "/questions/{slug}/evidence/path.png",
    operation_id="draw_path_as_png",
    response_class=PngResponse,
    summary="What could be said after each study, as PNG",
)
async def path_png(request: Request, slug: Slug, query: Asked, storage: Stored) -> Response:
    """Draw the same as the SVG."""
    return await _of_question(request, slug, query, storage, "path", "png")


async def _of_question(
    request: Request, slug: str, query: DrawingQuery, storage: Stored, drawing: Drawing, kind: "Format"
) -> Response:
    refuse_unshipped(query.method_version)
    filters = query.filters()

    def look(session: "Session") -> "tuple[Question, int]":
        question = questions.by_slug(session, slug)
        return question, position_asked(session, question, query.as_of)

    question, position = await storage.read(look)
    refuse_unknown_arms(question, filters)
    tag, kept_for = f'"{drawing}-{kind}-{tag_of(question.id, position, query)[1:]}', lasting(query)
    if matched(request, tag):
        return not_modified(tag, kept_for)
    desk: Desk = request.app.state.desk
    body = await desk.make(storage, drawing, question, filters, position, outcome=query.outcome, kind=kind)
    return _sent(tag, body, kept_for, kind)


@router.get(
    "/replications/{replication_id}/curves.svg",
    operation_id="draw_curves_as_svg",
    response_class=SvgResponse,
    summary="The fermentation curves of a replication, as SVG",
)
async def curves_svg(request: Request, replication_id: UUID, storage: Stored) -> Response:
    """Draw gravity over time, each vessel a line."""
    return await _curves(request, replication_id, storage, "svg")


@router.get(
    "/replications/{replication_id}/curves.png",
    operation_id="draw_curves_as_png",
    response_class=PngResponse,
    summary="The fermentation curves of a replication, as PNG",
)
async def curves_png(request: Request, replication_id: UUID, storage: Stored) -> Response:
    """Draw the same as the SVG."""
    return await _curves(request, replication_id, storage, "png")


async def _curves(request: Request, replication_id: UUID, storage: Stored, kind: "Format") -> Response:
    cache: EvidenceCache = request.app.state.evidence

    def look(session: "Session") -> tuple[str, bytes | None]:
        from service.evidence import drawings  # noqa: PLC0415  half a second to load, and most processes never draw

        replication = replication_reads.get(session, replication_id)
        if not replication_reads.is_public(replication):
            raise Problem("not-found")
        document = replication_reads.document(session, replication)
        if document is None:
            raise Problem("gone")
        tag = f'"curves-{kind}-r{replication.revision}-{replication_id.hex}"'
        if matched(request, tag):
            return tag, None
        key = ("curves", kind, replication_id, replication.revision)
        drawn = cache.get(key)
        if drawn is None:
            question = questions.get(session, replication.question_id)
            drawn = drawings.curves_of(question, document, kind)
            cache.put(key, drawn)
        return tag, drawn

    tag, body = await storage.read(look)
    return _sent(tag, body, REVALIDATE, kind)


def _sent(tag: str, body: bytes | None, kept_for: str, kind: "Format") -> Response:
    if body is None:
        return not_modified(tag, kept_for)
    answer = SvgResponse if kind == "svg" else PngResponse
    return answer(body, headers={"ETag": tag, "Cache-Control": kept_for})
