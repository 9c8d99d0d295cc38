"""Puts the invented community into a record, act by act, on a clock that shows the community's own time."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final
from uuid import UUID

from seed_demo.community import Community, Event, draw_community
from seed_demo.truth import TRUTHS
from service.intake import asking, submission
from service.intake.documents import Impression, ProtocolDocument, QuestionDocument, ReplicationDocument, Revision
from service.record import contributors, ledger, questions
from service.record.database import Database, Session
from service.record.errors import Conflict, NotFound

Progress = Callable[[int, int], None]
"""Told how many acts are done, and of how many."""

_FIRST_REVISION: Final = 1


@dataclass(frozen=True, slots=True)
class Loaded:
    """How much of the invented community the record holds, and whether it was there before."""

    questions: int
    households: int
    replications: int
    unreported: int
    impressions: int
    acts: int
    already_there: bool


def load(database: Database, *, progress: Progress | None = None) -> Loaded:
    """Load the invented community by the front door, each act in a transaction of its own.

    Nothing is done where one of its questions is there already.

    Parameters
    ----------
    database : Database
        A record whose tables are up to date.
    progress : callable, optional
        Called after every act.

    Raises
    ------
    Conflict
        The record has entries from after the community's beginning: time in the ledger never steps back, so what was
        registered in time would stand there as registered too late.

    """
    community = draw_community()
    with database.read() as session:
        already_there = any(_is_there(session, truth.slug) for truth in TRUTHS)
        newest = ledger.head(session).at
    if not already_there:
        if newest is not None and newest > community.events[0].at:
            raise Conflict("This record has newer entries than the demo's first: load the demo into a fresh record.")
        _act_all(database, community, progress)
    return Loaded(
        questions=len(TRUTHS),
        households=len(community.households),
        replications=sum(len(group) for group in community.replications.values()),
        unreported=1,
        impressions=sum(event.act == "report" for event in community.events),
        acts=len(community.events),
        already_there=already_there,
    )


def _is_there(session: Session, slug: str) -> bool:
    try:
        questions.by_slug(session, slug)
    except NotFound:
        return False
    return True


def _act_all(database: Database, community: Community, progress: Progress | None) -> None:
    loader = _Loader(community.names)
    for done, event in enumerate(community.events, start=1):
        database.run_write(lambda session, event=event: loader.act(session, event))  # type: ignore[misc]  # one argument
        if progress is not None:
            progress(done, len(community.events))


@dataclass(slots=True)
class _Loader:
    """What the record calls the households and replications that the events number."""

    names: dict[int, str]
    households: dict[int, UUID] = field(default_factory=dict)
    replications: dict[int, UUID] = field(default_factory=dict)

    def act(self, session: Session, event: Event) -> None:
        """Do one act at the moment at which it happened."""
        session.info["clock"] = lambda: event.at
        if event.act == "join":
            made = contributors.create(session, display_name=self.names[event.household], token_hash=None)
            self.households[event.household] = made.id
            return
        contributor = contributors.get(session, self.households[event.household])
        match event.act:
            case "ask":
                asking.add_question(session, contributor, QuestionDocument.model_validate(event.document))
            case "publish":
                question = questions.by_slug(session, event.question)
                asking.add_protocol(session, contributor, question, ProtocolDocument.model_validate(event.document))
            case "report":
                question = questions.by_slug(session, event.question)
                asking.add_impression(session, contributor, question, Impression.model_validate(event.document))
            case "register" | "post":
                document = ReplicationDocument.model_validate(event.document)
                kept = submission.post_replication(session, contributor, document)
                self.replications[event.about] = kept.replication.id
            case "revise":
                revision = Revision.model_validate(event.document)
                replication_id = self.replications[event.about]
                submission.put_replication(session, contributor, replication_id, revision, _FIRST_REVISION)
            case "submit":
                submission.submit_registered(session, contributor, self.replications[event.about])
