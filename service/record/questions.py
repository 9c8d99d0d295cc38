from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from typing import Protocol as Shape
from uuid import UUID

from sqlalchemy import Select, Text, and_, bindparam, cast, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col
from uuid_utils.compat import uuid7

from service.record import contributors, ledger
from service.record.errors import Conflict, NotFound
from service.record.rows import Counts, ProtocolVersion, Stage
from service.record.tables import Contributor, LedgerContent, Protocol, Question, Replication, table_of

# Made once: every submission runs these.
_QUESTIONS = table_of(Question)
_STATUS = select(_QUESTIONS.c.status).where(_QUESTIONS.c.id == bindparam("question_id"))
_BY_SLUG = select(Question).where(col(Question.slug) == bindparam("slug"))
_PROTOCOLS = table_of(Protocol)
_CONTENTS = table_of(LedgerContent)
_TO_FOLLOW: Select[Any] = (
    select(
        *(_QUESTIONS.c[name] for name in ("id", "slug", "title", "background", "factor", "stage")),
        cast(_QUESTIONS.c.arms, Text).label("arms"),
        _PROTOCOLS.c.position.is_not(None).label("has_version"),
        _CONTENTS.c.content,
    )
    .outerjoin(
        _PROTOCOLS, and_(_PROTOCOLS.c.question_id == _QUESTIONS.c.id, _PROTOCOLS.c.version == bindparam("version"))
    )
    .outerjoin(_CONTENTS, _CONTENTS.c.position == _PROTOCOLS.c.position)
    .where(_QUESTIONS.c.slug == bindparam("slug"))
)
_VERSION = select(Protocol).where(
    col(Protocol.question_id) == bindparam("question_id"), col(Protocol.version) == bindparam("version")
)
_NEWEST = (
    select(Protocol)
    .where(col(Protocol.question_id) == bindparam("question_id"))
    .order_by(col(Protocol.version).desc())
    .limit(1)
)


class Named(Shape):
    """A question, as far as what refuses to write for it needs to know it."""

    @property
    def id(self) -> UUID:
        """Its identifier."""
        ...

    @property
    def slug(self) -> str:
        """Its slug."""
        ...


@dataclass(frozen=True, slots=True)
class ToFollow:
    """A question with one version of its protocol, as they are stored; `content` is None where it was erased."""

    id: UUID
    slug: str
    title: str
    background: str
    factor: str
    stage: str
    arms: str
    has_version: bool
    content: str | None


@dataclass(frozen=True, slots=True)
class QuestionSummary:
    """A question in a list."""

    question: Question
    counts: Counts


def add(
    session: Session,
    *,
    author: Contributor,
    slug: str,
    title: str,
    background: str,
    factor: str,
    stage: Stage,
    arms: Sequence[Mapping[str, Any]],
    question_id: UUID | None = None,
) -> Question:
    """Publish a question; one that is loaded from elsewhere keeps its identifier.

    Raises
    ------
    Conflict
        Another question has this slug, or the author was erased.

    """
    contributors.refuse_erased(session, author.id)
    taken = select(col(Question.id)).where(col(Question.slug) == slug)
    if session.execute(taken).first() is not None:
        raise _slug_taken()
    listed = [dict(arm) for arm in arms]
    shown = {
        "slug": slug,
        "title": title,
        "background": background,
        "factor": factor,
        "stage": stage,
        "arms": listed,
        "author": str(author.id),
    }
    question_id = question_id or uuid7()
    entry = ledger.append(session, kind="question", subject=str(question_id), content=shown, question_id=question_id)
    # The head is ours until we commit, and every question is written under it: whoever took the slug meanwhile is seen.
    if session.execute(taken).first() is not None:
        raise _slug_taken()
    question = Question(
        id=question_id,
        slug=slug,
        title=title,
        background=background,
        factor=factor,
        stage=stage,
        arms=listed,
        author_id=author.id,
        position=entry.position,
        created_at=entry.at,
    )
    session.add(question)
    session.flush()
    return question


def _slug_taken() -> Conflict:
    return Conflict("Another question has this slug: choose another.")


def get(session: Session, question_id: UUID) -> Question:
    """Return a question by its id; raise NotFound for none."""
    question = session.get(Question, question_id)
    if question is None:
        raise NotFound("There is no such question.")
    return question


def by_slug(session: Session, slug: str) -> Question:
    """Return a question by its slug; raise NotFound for none."""
    question = session.execute(_BY_SLUG, {"slug": slug}).scalar_one_or_none()
    if question is None:
        raise NotFound("There is no question of this name.")
    return question


def to_follow(session: Session, slug: str, version: int) -> ToFollow | None:
    """Read a question and one version of its protocol at once; None where no question has this slug."""
    row = session.connection().execute(_TO_FOLLOW, {"slug": slug, "version": version}).one_or_none()
    return None if row is None else ToFollow(*row)


def slugs(session: Session, question_ids: Iterable[UUID]) -> dict[UUID, str]:
    """Return the slugs of some questions."""
    query = select(col(Question.id), col(Question.slug)).where(col(Question.id).in_(list(question_ids)))
    return dict(session.execute(query).all())


def page(
    session: Session,
    *,
    search: str | None = None,
    stage: str | None = None,
    status: str | None = None,
    after: int | None = None,
    limit: int = 50,
) -> list[QuestionSummary]:
    """Return questions, newest first.

    Parameters
    ----------
    session : Session
        Any session.
    search : str or None
        Words that must all stand in the title, background or factor, in any case.
    stage, status : str or None
        Only these.
    after : int or None
        `question.position` of the last one of the page before.
    limit : int
        How many at most.

    """
    query = select(Question).order_by(col(Question.position).desc()).limit(limit)
    for word in (search or "").split():
        query = query.where(
            or_(
                *(
                    func.lower(column).contains(word.lower(), autoescape=True)
                    for column in (col(Question.title), col(Question.background), col(Question.factor))
                )
            )
        )
    if stage is not None:
        query = query.where(col(Question.stage) == stage)
    if status is not None:
        query = query.where(col(Question.status) == status)
    if after is not None:
        query = query.where(col(Question.position) < after)
    found = list(session.execute(query).scalars())
    counted = counts(session, [question.id for question in found])
    return [QuestionSummary(question, counted.get(question.id, Counts())) for question in found]


def counts(session: Session, question_ids: Iterable[UUID]) -> dict[UUID, Counts]:
    """Count the submitted replications that stand in each question's answer, and their households."""
    query = (
        select(
            col(Replication.counted_in_id),
            func.count(),
            func.count(func.distinct(col(Replication.household_id))),
        )
        .where(and_(col(Replication.counted_in_id).in_(list(question_ids)), col(Replication.state) == "submitted"))
        .group_by(col(Replication.counted_in_id))
    )
    return {question_id: Counts(number, households) for question_id, number, households in session.execute(query)}


def lock(session: Session, question_id: UUID) -> Question:
    """Read a question and keep others from changing it until the transaction ends; before any ledger append."""
    query = (
        select(Question)
        .where(col(Question.id) == question_id)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    question = session.execute(query).scalar_one_or_none()
    if question is None:
        raise NotFound("There is no such question.")
    return question


def refuse_unless_open(session: Session, question: Named) -> None:
    """Raise Conflict for a question that takes nothing new.

    Right after an append the answer holds until the transaction ends: a question is merged under the ledger's head too.
    No lock on the question is needed, which everybody who writes for it would have to share.
    """
    status = session.connection().execute(_STATUS, {"question_id": question.id}).scalar_one()
    if status != "open":
        raise Conflict(f"The question {question.slug} is {status}: nothing new is taken for it.")


def add_protocol(
    session: Session, *, question: Question, author: Contributor, document: Mapping[str, Any]
) -> ProtocolVersion:
    """Publish the next version of a question's protocol.

    Raises
    ------
    Conflict
        The question isn't open, or the author was erased.

    """
    contributors.refuse_erased(session, author.id)
    question = lock(session, question.id)
    refuse_unless_open(session, question)
    newest = session.execute(
        select(func.max(col(Protocol.version))).where(col(Protocol.question_id) == question.id)
    ).scalar_one()
    version = (newest or 0) + 1
    entry = ledger.append(
        session,
        kind="protocol",
        subject=f"{question.slug}/{version}",
        content={
            "question": str(question.id),
            "version": version,
            "author": str(author.id),
            "document": dict(document),
        },
        question_id=question.id,
    )
    session.add(
        Protocol(
            question_id=question.id,
            version=version,
            author_id=author.id,
            position=entry.position,
            created_at=entry.at,
        )
    )
    session.flush()
    return ProtocolVersion(question.id, version, author.id, entry.position, entry.at, dict(document))


def protocols(session: Session, question: Question) -> list[ProtocolVersion]:
    """Return every version of a question's protocol with its document, in order."""
    query = select(Protocol).where(col(Protocol.question_id) == question.id).order_by(col(Protocol.version))
    found = list(session.execute(query).scalars())
    contents = ledger.contents_of(session, [each.position for each in found])
    return [_version(each, contents.get(each.position)) for each in found]


def protocol(session: Session, question: Question, version: int | None = None) -> ProtocolVersion:
    """Return one version of a question's protocol, the newest where none is named; raise NotFound for none."""
    query, which = (_NEWEST, {}) if version is None else (_VERSION, {"version": version})
    found = session.execute(query, {"question_id": question.id, **which}).scalar_one_or_none()
    if found is None:
        lacks = "no protocol yet" if version is None else f"no protocol version {version}"
        raise NotFound(f"The question has {lacks}.")
    return _version(found, ledger.content_of(session, found.position))


def _version(protocol: Protocol, content: dict[str, Any] | None) -> ProtocolVersion:
    document = None if content is None else content["document"]
    return ProtocolVersion(
        protocol.question_id, protocol.version, protocol.author_id, protocol.position, protocol.created_at, document
    )
