import hashlib
import re
from contextlib import suppress
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Literal
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Query, Request
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints
from pydantic_core import from_json
from starlette.responses import Response

from service.api.conditional import IMMUTABLE, REVALIDATE, matched, not_modified
from service.api.desk import Desk, key_of
from service.api.links import address
from service.api.paging import Cursor, Limit, Page, decode, encode, listed
from service.api.parameters import Slug
from service.api.problems import Fault, Problem
from service.api.routing import JSON, KeptFirst, Route
from service.api.storage import Storage, Stored
from service.evidence.blocks import MeasuredStudy, TrialStudyOfRecord
from service.evidence.comparison import ComparisonUnknownError, comparison_of
from service.evidence.filters import Filters, Where
from service.evidence.method import METHOD_VERSION
from service.evidence.shape import EvidenceAnswer
from service.record import ledger, questions
from service.record.latest import Latest

if TYPE_CHECKING:
    from collections.abc import Iterable

    from service.api.evidence_cache import EvidenceCache
    from service.record.database import Session
    from service.record.tables import Question

_ANYTHING = {"*/*", JSON}
_POSITION = re.compile(r"[0-9]{1,15}", re.ASCII)
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
Word = Annotated[str, StringConstraints(max_length=64)]


def position_or_day(text: object) -> object:
    """Read just these two: the framework's own reading of a date would take a number for seconds."""
    if isinstance(text, str) and _POSITION.fullmatch(text):
        return int(text)
    if isinstance(text, str) and _DAY.fullmatch(text):
        with suppress(ValueError):
            return date.fromisoformat(text)
    raise ValueError("write a ledger position, or a day such as 2026-05-01")


def _in_order(conditions: list[str]) -> list[str]:
    """Put conditions into one order, so that the same ones are the same selection."""
    return sorted(set(conditions))


class KeptAnswerRoute(KeptFirst, Route):
    """The present answer to the unfiltered question."""

    def kept(self, request: Request) -> Response | None:
        """Give it to whoever asks for nothing unusual."""
        headers = request.headers
        if request.scope["query_string"] or headers.get("accept", "*/*") not in _ANYTHING:
            return None
        latest: Latest | None = request.app.state.latest.of(request.path_params["slug"])
        if latest is None:
            return None
        tag = f'"e{latest.position}-{_digest(latest.question_id, _UNFILTERED)}-m{METHOD_VERSION}"'
        if matched(request, tag):
            return not_modified(tag, REVALIDATE)
        key = key_of("answer", latest.question_id, latest.position, _ALL, **_made_with(request))
        body = request.app.state.evidence.get(key)
        if body is None:
            return None
        cited = cite_as(request, request.path_params["slug"], latest.position)
        return Response(body, headers={"ETag": tag, "Cache-Control": REVALIDATE, "Link": cited}, media_type=JSON)


router = APIRouter(prefix="/v1/questions/{slug}/evidence", route_class=Route, tags=["evidence"])
answers = APIRouter(prefix="/v1/questions/{slug}/evidence", route_class=KeptAnswerRoute, tags=["evidence"])


class EvidenceQuery(BaseModel):
    """Which comparison, which part of its replications, and as of when."""

    model_config = ConfigDict(extra="forbid", hide_input_in_errors=True)
    control: Word | None = Field(None, description="An arm's key; the question's control where left out.")
    treatment: Word | None = Field(None, description="An arm's key; the first treatment where left out.")
    protocol_version: int | None = Field(None, ge=1, le=100_000)
    as_of: Annotated[int | date, BeforeValidator(position_or_day)] | None = Field(
        None, description="A ledger position or a date (its end, UTC); now where left out.", examples=[120]
    )
    sealed: bool | None = Field(None, description="Only sealed trials, or only the others.")
    registered: bool | None = Field(None, description="Only what was registered beforehand, or only the rest.")
    vouched: bool | None = Field(None, description="Only contributors whom a steward vouches for, or only the rest.")
    conditions_met: bool | None = Field(None, description="Only where every held-constant condition was met.")
    where: Annotated[
        list[Annotated[str, StringConstraints(pattern=r"^[a-z0-9_-]{1,64}:[^\x00]{1,200}$")]], AfterValidator(_in_order)
    ] = Field([], max_length=10, description="`condition:value`, such as `still:pot`; repeat to narrow further.")
    method: Literal["triangle", "duo_trio", "two_afc", "three_afc", "tetrad"] | None = None
    method_version: Word | None = Field(None, description="Pin the way of pooling; what is no longer shipped is 410.")

    def filters(self) -> Filters:
        """The filters that the evidence room knows."""
        conditions = tuple(Where(*condition.split(":", 1)) for condition in self.where)
        return Filters(
            control=self.control,
            treatment=self.treatment,
            protocol_version=self.protocol_version,
            sealed=self.sealed,
            registered=self.registered,
            vouched=self.vouched,
            conditions_met=self.conditions_met,
            method=self.method,
            where=conditions,
        )


_UNFILTERED = EvidenceQuery().model_dump_json(exclude={"as_of", "method_version"}, exclude_none=True)
_ALL = Filters()


def position_asked(session: "Session", question: "Question", as_of: int | date | None) -> int:
    """The last entry that touches the question, at or before the state asked for."""
    if as_of is None:
        return ledger.last_position_of(session, question.id)
    head = ledger.head(session)
    if isinstance(as_of, int):
        beyond, until = not 1 <= as_of <= head.size, as_of
    else:
        beyond = head.at is None or as_of > max(head.at.date(), datetime.now(UTC).date())
        until = 0 if beyond else ledger.position_at(session, as_of)
    if beyond:
        detail = f"the ledger ends at position {head.size}; name one from 1 to that, or a date not in the future"
        raise Problem("invalid-input", detail, faults=[Fault(pointer="query/as_of", detail=detail)])
    position = ledger.last_position_of(session, question.id, until=until)
    if position == 0:
        raise Problem("not-found", "this question had not been asked at that position")
    return position


def lasting(query: EvidenceQuery) -> str:
    """For how long an answer may be kept: for ever where nothing can change it, so not before the day is over."""
    if query.as_of is None or query.method_version is None:
        return REVALIDATE
    if isinstance(query.as_of, date) and query.as_of >= datetime.now(UTC).date():
        return REVALIDATE
    return IMMUTABLE


def refuse_unshipped(method_version: str | None) -> None:
    """Raise the refusal of a method version that is not shipped."""
    if method_version is not None and method_version != METHOD_VERSION:
        raise Problem("gone", f"method version {METHOD_VERSION} is shipped; this one is not, or no longer")


def tag_of(question_id: UUID, position: int, query: EvidenceQuery) -> str:
    """Make an answer's ETag of all that it depends on."""
    asked = query.model_dump_json(exclude={"as_of", "method_version"}, exclude_none=True)
    return f'"e{position}-{_digest(question_id, asked)}-m{METHOD_VERSION}"'


@lru_cache(maxsize=4096)
def _digest(question_id: UUID, asked: str) -> str:
    return hashlib.sha256(f"{question_id}|{asked}".encode()).hexdigest()[:16]


async def answered(request: Request, storage: Storage, question: "Question", filters: Filters, position: int) -> bytes:
    """Give the answer as it is sent, made now or kept from before."""
    desk: Desk = request.app.state.desk
    return await desk.make(storage, "answer", question, filters, position, **_made_with(request))


def _made_with(request: Request) -> dict[str, str]:
    return {"public_url": request.app.state.settings.public_url}


async def one_line_answers(
    request: Request, storage: Storage, asked: "Iterable[tuple[Question, int]]"
) -> dict[UUID, str]:
    """The one-line answer of each question, as of a position; one after the other, so that others have their turn."""
    cache: EvidenceCache = request.app.state.evidence
    lines = {}
    for question, position in asked:
        key = ("line", question.id, position, METHOD_VERSION)
        line = cache.get(key)
        if line is None:
            line = str(from_json(await answered(request, storage, question, _ALL, position))["answer"]).encode()
            cache.put(key, line)
        lines[question.id] = line.decode()
    return lines


def cite_as(request: Request, slug: str, position: int) -> str:
    """Link to the address that gives this answer for ever (RFC 8574), with the filters that were asked for."""
    pinned = {"as_of": position, "method_version": METHOD_VERSION}
    path = address(request, f"/v1/questions/{slug}/evidence")
    if not request.scope["query_string"]:
        return _cited(path, position)
    filters = [each for each in request.query_params.multi_items() if each[0] not in pinned]
    return f'<{path}?{urlencode([*filters, *pinned.items()])}>; rel="cite-as"'


@lru_cache(maxsize=4096)
def _cited(path: str, position: int) -> str:
    return f'<{path}?as_of={position}&method_version={METHOD_VERSION}>; rel="cite-as"'


def refuse_unknown_arms(question: "Question", filters: Filters) -> None:
    """Raise the refusal of arms that aren't two of the question's."""
    try:
        comparison_of(question, filters.control, filters.treatment)
    except ComparisonUnknownError as error:
        raise unknown_comparison(error) from None


def unknown_comparison(error: ComparisonUnknownError) -> Problem:
    """Turn arms that aren't of the question into a problem that points at them."""
    fault = Fault(pointer=f"query/{error.field}", detail=error.detail)
    return Problem("invalid-input", f"query/{error.field}: {error.detail}", faults=[fault])


@answers.get("", operation_id="read_evidence", response_model=EvidenceAnswer, summary="The pooled answer")
async def read_evidence(
    request: Request, slug: Slug, query: Annotated[EvidenceQuery, Query()], storage: Stored
) -> Response:
    """Say what all the replications show together: in words first, then in every number, as of any past state."""
    refuse_unshipped(query.method_version)
    filters = query.filters()

    def look(session: "Session") -> "tuple[Question, int]":
        question = questions.by_slug(session, slug)
        position = position_asked(session, question, query.as_of)
        if query.as_of is None:
            request.app.state.latest.remember(slug, Latest(question.id, position))
        return question, position

    question, position = await storage.read(look)
    refuse_unknown_arms(question, filters)
    tag, kept_for = tag_of(question.id, position, query), lasting(query)
    if matched(request, tag):
        return not_modified(tag, kept_for)
    body = await answered(request, storage, question, filters, position)
    headers = {"ETag": tag, "Cache-Control": kept_for, "Link": cite_as(request, slug, position)}
    return Response(body, headers=headers, media_type=JSON)


class StudyItem(BaseModel):
    """One replication's part in the pool of one outcome."""

    model_config = ConfigDict(extra="forbid")
    outcome: str
    study: TrialStudyOfRecord | MeasuredStudy


class StudiesQuery(EvidenceQuery):
    """The evidence's own filters, for a paged list of its studies."""

    outcome: Word | None = Field(None, description="The outcome whose studies are listed; the primary where left out.")
    limit: Limit = 50
    after: Cursor = None


@router.get("/studies", operation_id="list_studies", response_model=Page[StudyItem], summary="The studies in the pool")
async def list_studies(
    request: Request, slug: Slug, query: Annotated[StudiesQuery, Query()], storage: Stored
) -> Response:
    """List every study behind a pooled answer, in order of receipt."""
    refuse_unshipped(query.method_version)
    filters = query.filters()
    start = decode(query.after) or 0

    def look(session: "Session") -> "tuple[Question, int]":
        question = questions.by_slug(session, slug)
        return question, position_asked(session, question, query.as_of)

    question, position = await storage.read(look)
    refuse_unknown_arms(question, filters)
    desk: Desk = request.app.state.desk
    page = {"outcome": query.outcome, "start": start, "limit": query.limit + 1}
    items = from_json(await desk.make(storage, "studies", question, filters, position, **page))
    more = encode(start + query.limit) if len(items) > query.limit else None
    # The next page is of the same state: what enters or leaves meanwhile moves nothing across the edge between them.
    pinned = {"as_of": position}
    return listed(request, items[: query.limit], more, cache_control=lasting(query), pinned=pinned)
