"""Checks and reduces replication documents apart from any database, in this process or in several."""

import gc
import multiprocessing
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar
from uuid import UUID

from pydantic import ValidationError

from service.intake.confounds import COPIES, find
from service.intake.copies import Likeness, print_of
from service.intake.documents import Plan, ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.flags import in_order
from service.intake.observations import reduce
from service.intake.protocol_check import check, filled
from service.intake.refusals import Fault, Refused, invalid
from service.intake.strict import Strict, plain
from service.record.bulk import NewStart
from service.record.canonical import canonical_bytes, ordered
from service.record.errors import NotCanonical
from service.record.observations import observation_values
from service.record.replications import revision_content, trial_values

_MOST_FAULTS = 20
_PART = 100
_AHEAD = 2
_OBJECTS_BETWEEN_COLLECTIONS = 200_000

Batch = TypeVar("Batch")
Model = TypeVar("Model", bound=Strict)


@dataclass(frozen=True, slots=True)
class Setting:
    """The question and protocol version that a document names."""

    question_id: UUID
    question: QuestionDocument
    protocol: ProtocolDocument
    usual: Plan = field(init=False)
    """The plan of whoever departs from nothing."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "usual", filled(Plan(), self.question, self.protocol))


@dataclass(frozen=True, slots=True)
class Sent:
    """A document as it came, and whose it will be."""

    replication_id: UUID
    contributor_id: UUID
    household_id: UUID
    document: Mapping[str, Any]
    setting: Setting


def weigh(sent: Sent) -> NewStart:
    """Check a document against its protocol and reduce it, as a submission by itself is: no copy of another, so far.

    Raises
    ------
    Refused
        It can't be taken as it is.

    """
    document = taken(ReplicationDocument, sent.document)
    setting = sent.setting
    checked = check(document, setting.question, setting.protocol, setting.usual)
    stored = plain(document)
    document_in_order = ordered(stored)
    flags = find(checked, registered_at=None)
    reduced = reduce(checked, flags, registered_at=None)
    plan = checked.plan.model_dump()
    content = revision_content(
        replication_id=sent.replication_id,
        question_id=setting.question_id,
        protocol_version=document.protocol_version,
        contributor_id=sent.contributor_id,
        household_id=sent.household_id,
        plan=plan,
        state=document.state,
        revision=1,
        reason=None,
        document=document_in_order,
    )
    return NewStart(
        id=sent.replication_id,
        question_id=setting.question_id,
        contributor_id=sent.contributor_id,
        household_id=sent.household_id,
        protocol_version=document.protocol_version,
        plan=plan,
        state=document.state,
        text=canonical_bytes(content),
        fingerprint=print_of(stored, document_in_order),
        trials=trial_values(reduced.trials),
        observations=observation_values(reduced.observations),
    )


def likened(start: NewStart, like: Likeness) -> NewStart:
    """Return what was weighed as it is once it is known how alike another replication is."""
    flag = COPIES[like]
    return start if flag is None else start.with_flags(lambda names: in_order((*names, flag.name)))


def taken(model: type[Model], document: Mapping[str, Any]) -> Model:
    """Take a document in as its model, or refuse it with every fault."""
    try:
        return model.model_validate(document)
    except ValidationError as error:
        found = error.errors(include_url=False, include_context=False, include_input=False)[:_MOST_FAULTS]
        faults = [Fault("".join(f"/{step}" for step in each["loc"]), each["msg"]) for each in found]
        raise invalid(faults) from None


Outcome = NewStart | Refused


def weigh_all(sent: Sequence[Sent]) -> list[Outcome]:
    """Weigh documents in order; a refusal stands in the place of what was refused."""
    return [_outcome(each) for each in sent]


def _outcome(sent: Sent) -> Outcome:
    try:
        return weigh(sent)
    except Refused as refused:
        return refused
    except NotCanonical as error:
        return invalid([Fault("", error.detail)])


def _awaited(waiting: tuple[Batch, list[Future[list[Outcome]]]]) -> tuple[Batch, list[Outcome]]:
    batch, parts = waiting
    return batch, [outcome for part in parts for outcome in part.result()]


@contextmanager
def collecting_seldom() -> Iterator[None]:
    """Look for garbage in cycles seldom: a batch is many objects that are all in use, and hardly one is in a cycle."""
    before = gc.get_threshold()
    gc.set_threshold(_OBJECTS_BETWEEN_COLLECTIONS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


class Scales:
    """Weighs batch after batch, on several processors where that pays.

    Parameters
    ----------
    processes : int
        How many; 0 weighs in this process.

    """

    def __init__(self, processes: int) -> None:
        # Forking a process that has threads may copy a lock that nobody will ever release.
        context = multiprocessing.get_context("spawn")
        self._pool = (
            ProcessPoolExecutor(
                processes,
                mp_context=context,
                initializer=gc.set_threshold,
                initargs=(_OBJECTS_BETWEEN_COLLECTIONS,),
            )
            if processes
            else None
        )

    def weighed(
        self, batches: Iterable[Batch], sent_of: Callable[[Batch], Sequence[Sent]]
    ) -> Iterator[tuple[Batch, list[Outcome]]]:
        """Give each batch back with what came of it, in order; with several processes a few are weighed ahead."""
        if self._pool is None:
            for batch in batches:
                yield batch, weigh_all(sent_of(batch))
            return
        waiting: deque[tuple[Batch, list[Future[list[Outcome]]]]] = deque()
        for batch in batches:
            sent = sent_of(batch)
            parts = [sent[first : first + _PART] for first in range(0, len(sent), _PART)]
            waiting.append((batch, [self._pool.submit(weigh_all, part) for part in parts]))
            if len(waiting) > _AHEAD:
                yield _awaited(waiting.popleft())
        while waiting:
            yield _awaited(waiting.popleft())

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
