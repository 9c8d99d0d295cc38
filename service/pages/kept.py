"""A question's page, given again before the framework reads anything, as the interface gives its answer again."""

from functools import lru_cache
from typing import TYPE_CHECKING
from uuid import UUID

from fastapi import Request
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.evidence import EvidenceQuery
from service.api.routing import KeptFirst
from service.pages.layout import alternate, html
from service.pages.reading import tag_of_page

if TYPE_CHECKING:
    from service.record.latest import Latest


class KeptPageRoute(KeptFirst):
    """The present page of the unfiltered question."""

    def kept(self, request: Request) -> Response | None:
        """Give it where the address has nothing more."""
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
