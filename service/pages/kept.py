"""A question's page, given again before the framework reads anything, as the interface gives its answer again."""

from collections.abc import Callable, Coroutine
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from uuid import UUID

from fastapi import Request
from fastapi.routing import APIRoute
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.evidence import EvidenceQuery
from service.pages.layout import alternate, html
from service.pages.reading import tag_of_page

if TYPE_CHECKING:
    from service.record.latest import Latest


class KeptPageRoute(APIRoute):
    """A route that answers with the kept page of the unfiltered question; anything else goes the ordinary way."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Look for the kept page first."""
        handle = super().get_route_handler()

        async def answered(request: Request) -> Response:
            return _kept(request) or await handle(request)

        return answered


def _kept(request: Request) -> Response | None:
    """The present page, or that it is unchanged; None where it isn't at hand."""
    if request.scope["query_string"]:
        return None
    slug = request.path_params["slug"]
    latest: Latest | None = request.app.state.latest.of(slug)
    if latest is None:
        return None
    tag = _tag(latest.question_id, latest.position)
    if matched(request, tag):
        return not_modified(tag, REVALIDATE)
    content = request.app.state.evidence.get(("page", tag))
    return None if content is None else page_kept(request, slug, tag, content, REVALIDATE)


@lru_cache(maxsize=1024)
def _tag(question_id: UUID, position: int) -> str:
    return tag_of_page(question_id, position, EvidenceQuery())


def page_kept(request: Request, slug: str, tag: str, content: bytes, kept_for: str, query: str = "") -> Response:
    """Answer with a question's page as it was written."""
    data = alternate(request, f"/v1/questions/{slug}/evidence{query}")
    return html(content, headers={"ETag": tag, "Cache-Control": kept_for, **data})
