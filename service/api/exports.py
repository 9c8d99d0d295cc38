"""What can be taken away of a question: its data package, and its news as a feed."""

import os
import tempfile
from collections.abc import Iterator
from datetime import date
from typing import IO, TYPE_CHECKING, Annotated

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from starlette.responses import Response, StreamingResponse

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.evidence import Word, position_asked, position_or_day, refuse_unshipped
from service.api.parameters import Slug
from service.api.problems import Problem
from service.api.routing import Route
from service.api.storage import Stored
from service.evidence.feed import MEDIA_TYPE as ATOM
from service.evidence.feed import feed
from service.evidence.method import METHOD_VERSION
from service.evidence.package import ErasedSinceError, refuse_erased, write_package
from service.record import ledger, questions

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send

    from service.record.database import Session

router = APIRouter(prefix="/v1/questions/{slug}", route_class=Route, tags=["exports"])

ZIP = "application/zip"
_CHUNK = 256 * 1024


class PackageQuery(BaseModel):
    """As of when."""

    model_config = ConfigDict(extra="forbid", hide_input_in_errors=True)
    as_of: Annotated[int | date, BeforeValidator(position_or_day)] | None = Field(
        None, description="A ledger position or a date (its end, UTC); now where left out.", examples=[120]
    )
    method_version: Word | None = Field(None, description="Pin the way of pooling; what is no longer shipped is 410.")


class _Download(StreamingResponse):
    """Sends a file from where it stands, and closes it, whether or not the caller waits for the end."""

    def __init__(self, file: IO[bytes], headers: dict[str, str]) -> None:
        super().__init__(_chunks(file), headers=headers, media_type=ZIP)
        self._file = file

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._file.close()


def _chunks(file: IO[bytes]) -> Iterator[bytes]:
    while chunk := file.read(_CHUNK):
        yield chunk


@router.get(
    "/data-package",
    operation_id="read_data_package",
    response_class=Response,
    status_code=200,
    responses={200: {"content": {ZIP: {"schema": {"type": "string", "format": "binary"}}}}},
    summary="Everything behind an answer, to take away",
)
async def read_data_package(
    request: Request, slug: Slug, query: Annotated[PackageQuery, Query()], storage: Stored
) -> Response:
    """Give a Frictionless data package (version 2, CC0-1.0) as a zip: documents, observations, ledger and the answer.

    The same state gives the same bytes. `manybatch verify FILE` recomputes every hash in it: it establishes that the
    history is unaltered, not that what people submitted is true. Where something in it was erased since, it is gone.
    """
    refuse_unshipped(query.method_version)

    def look(session: "Session") -> tuple[str, int, IO[bytes] | None]:
        question = questions.by_slug(session, slug)
        position = position_asked(session, question, query.as_of)
        tag = f'"d{question.id.hex[:12]}-{position}-m{METHOD_VERSION}"'
        refuse_erased(session, question, position)
        if matched(request, tag):
            return tag, position, None
        # Built whole before any of it is sent: a slow reader must not hold a transaction open.
        file = tempfile.TemporaryFile()  # noqa: SIM115  # closed when it has been sent
        try:
            write_package(session, question, position, file, public_url=request.app.state.settings.public_url)
        except BaseException:
            file.close()
            raise
        return tag, position, file

    try:
        tag, position, file = await storage.read(look)
    except ErasedSinceError:
        raise Problem("gone", "something that this package held was erased since; ask for a later state") from None
    if file is None:
        return not_modified(tag)
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    return _Download(
        file,
        {
            "ETag": tag,
            # Whatever its state: what is erased later may not stay in somebody's cache.
            "Cache-Control": REVALIDATE,
            "Content-Length": str(size),
            "Content-Disposition": f'attachment; filename="{slug}-as-of-{position}.zip"',
        },
    )


@router.get(
    "/feed",
    operation_id="read_feed",
    response_class=Response,
    responses={200: {"content": {ATOM: {"schema": {"type": "string"}}}}},
    summary="A question's news",
)
async def read_feed(request: Request, slug: Slug, storage: Stored) -> Response:
    """Give what happened to a question as an Atom feed (RFC 4287), newest first."""

    def look(session: "Session") -> tuple[str, bytes | None]:
        question = questions.by_slug(session, slug)
        tag = f'"a{ledger.last_position_of(session, question.id)}"'
        if matched(request, tag):
            return tag, None
        return tag, feed(session, question, public_url=request.app.state.settings.public_url)

    tag, body = await storage.read(look)
    if body is None:
        return not_modified(tag)
    return Response(body, headers={"ETag": tag, "Cache-Control": REVALIDATE}, media_type=f"{ATOM}; charset=utf-8")
