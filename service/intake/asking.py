"""Putting a question, publishing a protocol, leaving an impression: each one write transaction of the caller's."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from service.intake.documents import Impression, Plan, ProtocolDocument, QuestionDocument
from service.intake.protocol_check import check_protocol, filled
from service.intake.refusals import Fault, Refused, conflict, invalid
from service.intake.slugs import free_slug
from service.intake.strict import plain
from service.record import questions, reports
from service.record.errors import NotFound
from service.record.rows import ProtocolVersion
from service.record.tables import Contributor, Question, QuestionReport

_KEPT = 64
"""Questions and protocol versions whose text is read once while it stays what it was."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question and one version of its protocol, as a replication follows them."""

    id: UUID
    slug: str
    question: QuestionDocument
    protocol: ProtocolDocument


def add_question(session: Session, contributor: Contributor, document: QuestionDocument) -> Question:
    """Publish a question, under the slug it asks for or one made from its title.

    Raises
    ------
    service.record.errors.Conflict
        Another question has the slug that was asked for.

    """
    slug = document.slug or free_slug(document.title, lambda slug: _find(session, slug) is not None)
    return questions.add(
        session,
        author=contributor,
        slug=slug,
        title=document.title,
        background=document.background,
        factor=document.factor,
        stage=document.stage,
        arms=[arm.model_dump() for arm in document.arms],
    )


def add_protocol(
    session: Session, contributor: Contributor, question: Question, document: ProtocolDocument
) -> ProtocolVersion:
    """Publish the next version of a question's protocol.

    Raises
    ------
    Refused
        `forbidden` unless the contributor asked the question or is a steward; `invalid` for arms that it doesn't have;
        `conflict` where another primary outcome was frozen by the comparison's first version.
    service.record.errors.Conflict
        The question isn't open.

    """
    if contributor.id != question.author_id and not contributor.is_steward:
        raise Refused("only the question's author or a steward publishes its protocols", kind="forbidden")
    return publish_protocol(session, contributor, question, document)


def publish_protocol(
    session: Session, contributor: Contributor, question: Question, document: ProtocolDocument
) -> ProtocolVersion:
    """Publish a protocol, whoever does it; refuse as `add_protocol` does, but for who may."""
    asked = question_document(question)
    check_protocol(asked, document)
    _refuse_another_primary(session, question, asked, document)
    return questions.add_protocol(session, question=question, author=contributor, document=plain(document))


def add_impression(
    session: Session, contributor: Contributor, question: Question, document: Impression
) -> QuestionReport:
    """Keep an unblinded impression, which is counted apart and never pooled."""
    return reports.add(session, question=question, contributor=contributor, leans=document.leans, text=document.text)


def question_document(question: Question) -> QuestionDocument:
    """Return a recorded question as the document that it was."""
    return _question(question.slug, question.title, question.background, question.factor, question.stage, question.arms)


def _question(
    slug: str, title: str, background: str, factor: str, stage: str, arms: Sequence[dict[str, Any]]
) -> QuestionDocument:
    return QuestionDocument.model_validate(
        {
            "slug": slug,
            "title": title,
            "background": background,
            "factor": factor,
            "stage": stage,
            "arms": arms,
        }
    )


def asked(session: Session, question: Question, version: int) -> Asked:
    """Return a recorded question with the protocol version that a document names, or refuse the document."""
    return Asked(question.id, question.slug, question_document(question), protocol_named(session, question, version))


def asked_by_name(session: Session, slug: str, version: int) -> Asked:
    """Return the question and protocol version that a document names, or refuse the document."""
    found = questions.to_follow(session, slug, version)
    if found is None or not found.has_version or found.content is None:
        # What is missing is said by whoever looks for one after the other.
        return asked(session, question_named(session, slug), version)
    question = _question_read(found.slug, found.title, found.background, found.factor, found.stage, found.arms)
    return Asked(found.id, found.slug, question, _protocol_read(found.content))


@lru_cache(_KEPT)
def _question_read(slug: str, title: str, background: str, factor: str, stage: str, arms: str) -> QuestionDocument:
    return _question(slug, title, background, factor, stage, json.loads(arms))


@lru_cache(_KEPT)
def _protocol_read(content: str) -> ProtocolDocument:
    return ProtocolDocument.model_validate(json.loads(content)["document"])


def question_named(session: Session, slug: str) -> Question:
    """Return the question that a document names, or refuse the document."""
    question = _find(session, slug)
    if question is None:
        raise invalid([Fault("/question", "no question has this slug")])
    return question


def protocol_named(session: Session, question: Question, version: int) -> ProtocolDocument:
    """Return the protocol version that a document names, or refuse the document."""
    try:
        found = questions.protocol(session, question, version)
    except NotFound:
        versions = [each.version for each in questions.protocols(session, question)]
        known = f"; there are {', '.join(map(str, versions))}" if versions else "; it has none yet"
        raise invalid([Fault("/protocol_version", f"the question has no such protocol version{known}")]) from None
    if found.document is None:
        raise conflict("This protocol version was erased: follow another.")
    return ProtocolDocument.model_validate(found.document)


def _find(session: Session, slug: str) -> Question | None:
    try:
        return questions.by_slug(session, slug)
    except NotFound:
        return None


def _refuse_another_primary(
    session: Session, question: Question, asked: QuestionDocument, document: ProtocolDocument
) -> None:
    """Freeze the claim at a comparison's first version: else the best of several outcomes could be chosen later."""
    arms = _comparison(asked, document)
    for version in questions.protocols(session, question):
        if version.document is None:
            continue
        earlier = ProtocolDocument.model_validate(version.document)
        if _comparison(asked, earlier) == arms:
            if earlier.primary.outcome != document.primary.outcome:
                raise conflict(
                    f"Version {version.version} fixed {earlier.primary.outcome} as the primary outcome of this "
                    "comparison: keep it, or ask another question."
                )
            return


def _comparison(asked: QuestionDocument, document: ProtocolDocument) -> tuple[str | None, str | None]:
    plan = filled(Plan(), asked, document)
    return plan.control, plan.treatment
