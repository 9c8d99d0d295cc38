"""How each kind of act is done again in another record, and how to see that it is there already."""

from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from service.intake import asking, submission
from service.intake.documents import ProtocolDocument, QuestionDocument, Revision
from service.intake.package_acts import NAME, Act
from service.intake.weighing import taken
from service.record import (
    bulk,
    contributors,
    ledger,
    merging,
    questions,
    replication_reads,
    replications,
    reports,
    trial_restoring,
)
from service.record.bulk import Member
from service.record.database import Session
from service.record.errors import NotFound
from service.record.tables import Contributor

Content = Mapping[str, Any]


def _person(session: Session, name: str, household: str | None = None) -> Contributor:
    """Find a contributor, or make them: without a token, and never a steward here because they were one there."""
    contributor_id = UUID(name)
    home = UUID(household) if household is not None else contributor_id
    try:
        found = contributors.get(session, contributor_id)
    except NotFound:
        bulk.join(session, [Member(id=contributor_id, household_id=home, display_name=NAME)])
        return contributors.get(session, contributor_id)
    if household is not None and found.household_id != home:
        found.household_id = home
        session.flush()
    return found


def _ask(session: Session, act: Act, content: Content) -> None:
    document = taken(QuestionDocument, {name: value for name, value in content.items() if name != "author"})
    questions.add(
        session,
        author=_person(session, content["author"]),
        slug=content["slug"],
        title=document.title,
        background=document.background,
        factor=document.factor,
        stage=document.stage,
        arms=[arm.model_dump() for arm in document.arms],
        question_id=UUID(act.subject),
    )


def _publish(session: Session, _act: Act, content: Content) -> None:
    question = questions.get(session, UUID(content["question"]))
    document = taken(ProtocolDocument, content["document"])
    asking.publish_protocol(session, _person(session, content["author"]), question, document)


def _impress(session: Session, act: Act, content: Content) -> None:
    reports.add(
        session,
        question=questions.get(session, UUID(content["question"])),
        contributor=_person(session, content["contributor"]),
        leans=content["leans"],
        text=content["text"],
        report_id=UUID(act.subject),
    )


def _amend(session: Session, act: Act, content: Content) -> None:
    owner = _person(session, content["contributor"], content["household"])
    revision = taken(Revision, content["document"] | {"reason": content["reason"]})
    submission.put_replication(session, owner, UUID(act.subject), revision, content["revision"] - 1)


def _submit(session: Session, act: Act, content: Content) -> None:
    owner = _person(session, content["contributor"], content["household"])
    submission.submit_registered(session, owner, UUID(act.subject), content["revision"] - 1)


def _withdraw(session: Session, act: Act, content: Content) -> None:
    replications.withdraw(
        session,
        replication=replication_reads.get(session, UUID(act.subject)),
        category=content["category"],
        reason=content["reason"],
        answered=content["effect"] == "asked",
    )


def _retract(session: Session, act: Act, content: Content) -> None:
    replications.retract(
        session,
        replication=replication_reads.get(session, UUID(act.subject)),
        steward=_person(session, content["steward"]),
        category=content["category"],
        reason=content["reason"],
    )


def _merge(session: Session, _act: Act, content: Content) -> None:
    merging.merge(
        session,
        question=questions.get(session, UUID(content["question"])),
        into=questions.get(session, UUID(content["into"])),
        steward=_person(session, content["steward"]),
        reason=content["reason"],
    )


def _vouch(session: Session, act: Act, content: Content) -> None:
    contributors.vouch(
        session,
        contributor=contributors.get(session, UUID(act.subject)),
        steward=_person(session, content["steward"]),
        reason=content["reason"],
    )


def _open_trial(session: Session, _act: Act, content: Content) -> None:
    trial_restoring.restore_opening(session, content)


def _end_trial(session: Session, _act: Act, content: Content) -> None:
    trial_restoring.restore_ending(session, content)


def _nothing(_session: Session, _act: Act, _content: Content) -> None:
    """An erasure took away what it is about: nothing of it comes here."""


DEEDS: Mapping[str, Callable[[Session, Act, Content], None]] = {
    "question": _ask,
    "protocol": _publish,
    "report": _impress,
    "amendment": _amend,
    "submission": _submit,
    "withdrawal": _withdraw,
    "retraction": _retract,
    "merge": _merge,
    "vouch": _vouch,
    "trial-opened": _open_trial,
    "trial-closed": _end_trial,
    "erasure": _nothing,
}


def _question_is_there(session: Session, act: Act, _content: Content) -> bool:
    return bool(questions.get(session, UUID(act.subject)))


def _protocol_is_there(session: Session, _act: Act, content: Content) -> bool:
    question = questions.get(session, UUID(content["question"]))
    return bool(questions.protocol(session, question, content["version"]))


def _report_is_there(session: Session, act: Act, _content: Content) -> bool:
    return bool(ledger.entries_about(session, act.subject))


def _revision_is_there(session: Session, act: Act, content: Content) -> bool:
    return replication_reads.get(session, UUID(act.subject)).revision >= int(content["revision"])


def _withdrawal_is_there(session: Session, act: Act, content: Content) -> bool:
    found = replication_reads.get(session, UUID(act.subject))
    at = found.withdrawal_asked_position if content["effect"] == "asked" else found.withdrawn_position
    return at is not None


def _retraction_is_there(session: Session, act: Act, _content: Content) -> bool:
    return replication_reads.get(session, UUID(act.subject)).retracted_position is not None


def _merge_is_there(session: Session, _act: Act, content: Content) -> bool:
    return questions.get(session, UUID(content["question"])).status == "merged"


def _vouch_is_there(session: Session, act: Act, _content: Content) -> bool:
    return contributors.get(session, UUID(act.subject)).vouched_position is not None


def _opening_is_there(session: Session, act: Act, _content: Content) -> bool:
    return trial_restoring.is_opened(session, UUID(act.subject))


def _ending_is_there(session: Session, act: Act, _content: Content) -> bool:
    return any(entry.kind == "trial-closed" for entry in ledger.entries_about(session, act.subject))


_THERE: Mapping[str, Callable[[Session, Act, Content], bool]] = {
    "question": _question_is_there,
    "protocol": _protocol_is_there,
    "report": _report_is_there,
    "amendment": _revision_is_there,
    "submission": _revision_is_there,
    "withdrawal": _withdrawal_is_there,
    "retraction": _retraction_is_there,
    "merge": _merge_is_there,
    "vouch": _vouch_is_there,
    "trial-opened": _opening_is_there,
    "trial-closed": _ending_is_there,
    "erasure": lambda *_: True,
}


def is_there(session: Session, act: Act) -> bool:
    """Say whether the record has an act already."""
    check = _THERE.get(act.kind)
    try:
        return check is not None and act.content is not None and check(session, act, act.content)
    except NotFound:
        return False
