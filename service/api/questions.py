from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.conditional import IMMUTABLE, REVALIDATE, matched, not_modified
from service.api.evidence import cite_as, one_line_answers
from service.api.links import address
from service.api.paging import Cursor, Limit, Page, decode, encode, listed
from service.api.parameters import SearchWords, Slug, Version
from service.api.problems import Problem
from service.api.routing import Route
from service.api.security import SignedIn
from service.api.storage import Answer, IdempotencyKeyHeader, Stored, json_response, write_once
from service.evidence.method import METHOD_VERSION
from service.intake import asking
from service.intake.documents import Arm, Impression, ProtocolDocument, QuestionDocument
from service.record import contributors, ledger, questions
from service.record.rows import Counts, ProtocolVersion

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.record.database import Session
    from service.record.questions import QuestionSummary
    from service.record.tables import Question

router = APIRouter(route_class=Route, tags=["questions"])


class QuestionAnswer(BaseModel):
    """A question of the community."""

    model_config = ConfigDict(extra="forbid")
    slug: str
    title: str
    background: str
    factor: str
    stage: Literal["ferment", "distil"]
    arms: list[Arm]
    status: Literal["open", "closed", "merged"]
    created_at: datetime
    replications: int
    households: int
    answer: str | None = Field(description="The one-line answer as of now.")
    links: dict[str, str]


class ProtocolAnswer(ProtocolDocument):
    """One version of a question's protocol; it never changes."""

    question: str
    version: int
    created_at: datetime


class ImpressionAnswer(BaseModel):
    """An unblinded impression, counted apart from the evidence."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    question: str
    leans: str
    text: str


def shown_question(
    request: Request, question: "Question", counts: "Counts", answer: str | None, *, merged_into: str | None = None
) -> QuestionAnswer:
    """Show a question; `merged_into` is the slug of the one in whose answer its replications stand now."""
    home = address(request, f"/v1/questions/{question.slug}")
    links = {each: f"{home}/{each}" for each in ("protocols", "evidence", "data-package", "feed")}
    if merged_into is not None:
        links["merged_into"] = address(request, f"/v1/questions/{merged_into}")
    return QuestionAnswer(
        slug=question.slug,
        title=question.title,
        background=question.background,
        factor=question.factor,
        stage=question.stage,
        arms=[Arm.model_validate(arm) for arm in question.arms],
        status=question.status,
        created_at=question.created_at,
        replications=counts.replications,
        households=counts.households,
        answer=answer,
        links={name.replace("-", "_"): link for name, link in links.items()},
    )


def _merged_into(session: "Session", asked: "Sequence[Question]") -> dict[UUID, str]:
    targets = {row.id: row.merged_into_id for row in asked if row.merged_into_id is not None}
    slugs = questions.slugs(session, targets.values())
    return {merged: slugs[into] for merged, into in targets.items()}


@router.post(
    "/v1/questions",
    status_code=201,
    operation_id="create_question",
    response_model=QuestionAnswer,
    summary="Ask a question",
)
async def create_question(
    request: Request, body: QuestionDocument, caller: SignedIn, storage: Stored, key: IdempotencyKeyHeader = None
) -> Response:
    """Put a claim as a question: one factor, a control, one or more treatments."""

    def ask(session: "Session") -> Answer:
        question = asking.add_question(session, contributors.get(session, caller.id), body)
        counts = questions.counts(session, [question.id]).get(question.id, Counts())
        return Answer(shown_question(request, question, counts, None), 201, f"/v1/questions/{question.slug}")

    return await write_once(request, storage, caller, key, ask)


@router.get(
    "/v1/questions", operation_id="list_questions", response_model=Page[QuestionAnswer], summary="The questions"
)
async def list_questions(
    request: Request,
    storage: Stored,
    search: SearchWords = None,
    stage: Annotated[Literal["ferment", "distil"] | None, Query()] = None,
    status: Annotated[Literal["open", "closed", "merged"] | None, Query()] = None,
    limit: Limit = 50,
    after: Cursor = None,
) -> Response:
    """List the questions, newest first, each with its one-line answer."""
    beyond = decode(after)

    def look(session: "Session") -> "tuple[list[tuple[QuestionSummary, int]], dict[UUID, str], bool]":
        found = questions.page(
            session,
            search=search,
            stage=stage,
            status=status,
            after=beyond,
            limit=limit + 1,
        )
        kept = [(row, ledger.last_position_of(session, row.question.id)) for row in found[:limit]]
        return kept, _merged_into(session, [row.question for row, _ in kept]), len(found) > limit

    kept, into, more = await storage.read(look)
    lines = await one_line_answers(request, storage, [(row.question, position) for row, position in kept])
    items = [
        shown_question(request, row.question, row.counts, lines[row.question.id], merged_into=into.get(row.question.id))
        for row, _ in kept
    ]
    return listed(request, items, encode(kept[-1][0].question.position if more else None))


@router.get("/v1/questions/{slug}", operation_id="read_question", response_model=QuestionAnswer, summary="One question")
async def read_question(request: Request, slug: Slug, storage: Stored) -> Response:
    """Read a question with its one-line answer."""

    def look(session: "Session") -> "tuple[Question, int]":
        question = questions.by_slug(session, slug)
        return question, ledger.last_position_of(session, question.id)

    def beside(session: "Session") -> tuple[Counts, str | None]:
        counts = questions.counts(session, [question.id]).get(question.id, Counts())
        return counts, _merged_into(session, [question]).get(question.id)

    question, position = await storage.read(look)
    tag = f'"q{position}-m{METHOD_VERSION}"'
    if matched(request, tag):
        return not_modified(tag)
    counts, into = await storage.read(beside)
    line = (await one_line_answers(request, storage, [(question, position)]))[question.id]
    shown = shown_question(request, question, counts, line, merged_into=into)
    headers = {"ETag": tag, "Cache-Control": REVALIDATE, "Link": cite_as(request, slug, position)}
    return json_response(shown, headers=headers)


def _protocol(slug: str, version: "ProtocolVersion") -> ProtocolAnswer:
    if version.document is None:
        raise Problem("gone")
    return ProtocolAnswer(**version.document, question=slug, version=version.version, created_at=version.created_at)


@router.post(
    "/v1/questions/{slug}/protocols",
    status_code=201,
    operation_id="create_protocol",
    response_model=ProtocolAnswer,
    summary="Publish a protocol version",
)
async def create_protocol(
    request: Request,
    slug: Slug,
    body: ProtocolDocument,
    caller: SignedIn,
    storage: Stored,
    key: IdempotencyKeyHeader = None,
) -> Response:
    """Publish a new version of a question's protocol; only its author or a steward may. Versions never change."""

    def publish(session: "Session") -> Answer:
        version = asking.add_protocol(
            session, contributors.get(session, caller.id), questions.by_slug(session, slug), body
        )
        return Answer(_protocol(slug, version), 201, f"/v1/questions/{slug}/protocols/{version.version}")

    return await write_once(request, storage, caller, key, publish)


@router.get(
    "/v1/questions/{slug}/protocols",
    operation_id="list_protocols",
    response_model=Page[ProtocolAnswer],
    summary="A question's protocol versions",
)
async def list_protocols(request: Request, slug: Slug, storage: Stored) -> Response:
    """List every version of a question's protocol, oldest first."""

    def look(session: "Session") -> list[ProtocolAnswer]:
        versions = questions.protocols(session, questions.by_slug(session, slug))
        return [_protocol(slug, version) for version in versions if version.document is not None]

    return listed(request, await storage.read(look), None)


@router.get(
    "/v1/questions/{slug}/protocols/{version}",
    operation_id="read_protocol",
    response_model=ProtocolAnswer,
    summary="One protocol version",
)
async def read_protocol(request: Request, slug: Slug, version: Version, storage: Stored) -> Response:
    """Read one version of a question's protocol."""
    found = await storage.read(lambda session: questions.protocol(session, questions.by_slug(session, slug), version))
    shown = _protocol(slug, found)
    tag = f'"p{found.version}"'
    if matched(request, tag):
        return not_modified(tag, IMMUTABLE)
    return json_response(shown, headers={"ETag": tag, "Cache-Control": IMMUTABLE})


@router.post(
    "/v1/questions/{slug}/reports",
    status_code=201,
    operation_id="create_report",
    response_model=ImpressionAnswer,
    summary="Leave an unblinded impression",
)
async def create_report(
    request: Request,
    slug: Slug,
    body: Impression,
    caller: SignedIn,
    storage: Stored,
    key: IdempotencyKeyHeader = None,
) -> Response:
    """Say what you thought without blinding. It is counted apart, and never pooled."""

    def leave(session: "Session") -> Answer:
        report = asking.add_impression(
            session, contributors.get(session, caller.id), questions.by_slug(session, slug), body
        )
        return Answer(ImpressionAnswer(id=report.id, question=slug, leans=report.leans, text=report.text), 201)

    return await write_once(request, storage, caller, key, leave)
