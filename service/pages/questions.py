"""The questions, and each with its answer first."""

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.api.conditional import REVALIDATE, matched, not_modified
from service.api.evidence import EvidenceQuery, answered, one_line_answers, refuse_unknown_arms
from service.api.parameters import Slug
from service.api.storage import Stored
from service.evidence.filters import Filters
from service.pages import reading
from service.pages.kept import KeptPageRoute, page_kept
from service.pages.layout import alternate, mark, page, rendered
from service.record import ledger, questions
from service.record.rows import Counts

if TYPE_CHECKING:
    from service.record.database import Session
    from service.record.questions import QuestionSummary

router = APIRouter(include_in_schema=False)
kept_pages = APIRouter(include_in_schema=False, route_class=KeptPageRoute)

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

    def look(session: "Session") -> "tuple[str, list[tuple[QuestionSummary, int]] | None, bool]":
        tag = f'"index-{ledger.head(session).size}-{mark()}"'
        if matched(request, tag):
            return tag, None, False
        found = questions.page(
            session, search=search.strip() or None, stage=stage or None, after=after, limit=_ON_A_PAGE + 1
        )
        kept = [(row, ledger.last_position_of(session, row.question.id)) for row in found[:_ON_A_PAGE]]
        return tag, kept, len(found) > _ON_A_PAGE

    tag, found, more = await storage.read(look)
    if found is None:
        return not_modified(tag)
    lines = await one_line_answers(request, storage, [(row.question, position) for row, position in found])
    items = [_item(row.question, row.counts, lines[row.question.id]) for row, _ in found]
    kept = {name: value for name, value in (("search", search), ("stage", stage)) if value}
    query = f"?{urlencode(kept)}" if kept else ""
    return page(
        request,
        "index.html",
        headers={"ETag": tag, "Cache-Control": REVALIDATE, **alternate(request, f"/v1/questions{query}")},
        items=items,
        search=search,
        stage=stage,
        following=urlencode({**kept, "after": found[-1][0].question.position}) if more else None,
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


@kept_pages.get("/questions/{slug}")
async def read_question(request: Request, slug: Slug, query: reading.AsFiltered, storage: Stored) -> Response:
    """Show a question: the answer, how sure it is and why, the drawings, every figure, every replication."""
    question, position = await storage.read(lambda session: reading.find(session, slug, query))
    filters = query.filters()
    refuse_unknown_arms(question, filters)
    tag, kept_for = reading.tag_of_page(question.id, position, query), reading.kept_for(query)
    if matched(request, tag):
        return not_modified(tag, kept_for)
    cache, key = request.app.state.evidence, ("page", tag)
    content = cache.get(key)
    if content is None:
        answer = await answered(request, storage, question, filters, position)

        def write(session: "Session") -> bytes:
            asked = reading.asked(session, question, json.loads(answer), position)
            return _written(request, asked, query).encode()

        content = await storage.read(write)
        cache.put(key, content)
    return page_kept(request, slug, tag, content, kept_for, _as_query(query))


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
    question, position = await storage.read(lambda session: reading.find(session, slug, EvidenceQuery()))
    answer = json.loads(await answered(request, storage, question, Filters(), position))
    lines, following = await storage.read(lambda session: reading.listed(session, question, answer, position, after))
    shown: Mapping[str, Any] = {
        "title": question.title,
        "slug": question.slug,
        "lines": lines,
        "following": following,
    }
    headers = {"Cache-Control": REVALIDATE, **alternate(request, f"/v1/replications?question={slug}")}
    return page(request, "replications.html", headers=headers, **shown)
