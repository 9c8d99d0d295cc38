"""The questions, and each with its answer first."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.evidence import EvidenceQuery, one_line_answers, unknown_comparison
from service.api.parameters import Slug
from service.api.storage import Stored
from service.evidence.collect import ComparisonUnknownError
from service.pages import reading
from service.pages.layout import alternate, html, mark, page, rendered
from service.record import ledger, questions
from service.record.rows import Counts

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_ON_A_PAGE = 20
Words = Annotated[str, Query(max_length=200, pattern=r"^[^\x00]*$")]
After = Annotated[int | None, Query(ge=1, le=2**53)]


@router.get("/")
async def index(
    request: Request,
    storage: Stored,
    search: Words = "",
    stage: Annotated[Literal["", "ferment", "distil"], Query()] = "",
    after: After = None,
) -> Response:
    """Show the questions, newest first, each with its one-line answer."""

    def look(session: "Session") -> tuple[str, list[Mapping[str, Any]] | None, int | None]:
        tag = f'"index-{ledger.head(session).size}-{mark()}"'
        if matched(request, tag):
            return tag, None, None
        found = questions.page(
            session, search=search.strip() or None, stage=stage or None, after=after, limit=_ON_A_PAGE + 1
        )
        kept = found[:_ON_A_PAGE]
        lines = one_line_answers(request, session, [row.question for row in kept])
        items = [_item(row.question, row.counts, lines[row.question.id]) for row in kept]
        return tag, items, kept[-1].question.position if len(found) > _ON_A_PAGE else None

    tag, items, more = await storage.read(look)
    if items is None:
        return not_modified(tag)
    kept = {name: value for name, value in (("search", search), ("stage", stage)) if value}
    query = f"?{urlencode(kept)}" if kept else ""
    return page(
        request,
        "index.html",
        headers={"ETag": tag, "Cache-Control": REVALIDATE, **alternate(request, f"/v1/questions{query}")},
        items=items,
        search=search,
        stage=stage,
        following=urlencode({**kept, "after": more}) if more is not None else None,
    )


def _item(question: Any, counts: Counts, answer: str) -> Mapping[str, Any]:  # noqa: ANN401  a row of the record
    return {
        "slug": question.slug,
        "title": question.title,
        "stage": question.stage,
        "status": question.status,
        "replications": counts.replications,
        "households": counts.households,
        "answer": answer,
    }


@router.get("/questions/{slug}")
async def read_question(request: Request, slug: Slug, query: reading.AsFiltered, storage: Stored) -> Response:
    """Show a question: the answer, how sure it is and why, the drawings, every figure, every replication."""

    def look(session: "Session") -> tuple[str, bytes | None]:
        question, position = reading.find(session, slug, query)
        tag = reading.tag_of_page(question.id, position, query)
        if matched(request, tag):
            return tag, None
        cache, key = request.app.state.evidence, ("page", tag)
        content = cache.get(key)
        if content is None:
            content = _written(request, reading.asked(request, session, question, query, position), query).encode()
            cache.put(key, content)
        return tag, content

    try:
        tag, content = await storage.read(look)
    except ComparisonUnknownError as error:
        raise unknown_comparison(error) from None
    kept_for = reading.kept_for(query)
    if content is None:
        return not_modified(tag, kept_for)
    answer = f"/v1/questions/{slug}/evidence{_as_query(query)}"
    return html(content, headers={"ETag": tag, "Cache-Control": kept_for, **alternate(request, answer)})


def _as_query(query: EvidenceQuery, **changes: Any) -> str:  # noqa: ANN401  values of a query
    given = {**query.model_dump(mode="json", exclude_none=True, exclude_defaults=True), **changes}
    text = urlencode({name: _plain(value) for name, value in given.items() if value is not None}, doseq=True)
    return f"?{text}" if text else ""


def _plain(value: object) -> object:
    return str(value).lower() if isinstance(value, bool) else value


def _written(request: Request, asked: reading.Asked, query: EvidenceQuery) -> str:
    answer = asked.answer
    pinned = {"as_of": answer["as_of"]["position"], "method_version": answer["method"]["version"]}
    return rendered(
        request,
        "question.html",
        asked=asked,
        question=asked.question,
        answer=answer,
        labels={arm["key"]: arm["label"] for arm in asked.question.arms},
        protocol=asked.protocol,
        drawn=_as_query(query),
        pinned=_as_query(query, **pinned),
        filtered=query,
        conditions=_conditions(answer),
    )


def _conditions(answer: Mapping[str, Any]) -> list[str]:
    """Name the conditions that somebody reported, as `where` takes them."""
    by_condition = answer["perceivable_difference"]["robustness"]["by_condition"]
    return sorted({f"{each['condition']}:{each['value']}" for each in by_condition})


@router.get("/questions/{slug}/replications")
async def list_replications(request: Request, slug: Slug, storage: Stored, after: After = None) -> Response:
    """List more of a question's replications than its own page has room for."""

    def look(session: "Session") -> Mapping[str, Any]:
        question, position = reading.find(session, slug, EvidenceQuery())
        answer = reading.plain_answer(request, session, question, position)
        lines, following = reading.listed(session, question, answer, position, after)
        return {"title": question.title, "slug": question.slug, "lines": lines, "following": following}

    shown = await storage.read(look)
    headers = {"Cache-Control": REVALIDATE, **alternate(request, f"/v1/replications?question={slug}")}
    return page(request, "replications.html", headers=headers, **shown)
