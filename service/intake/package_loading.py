"""Puts the data packages of one record into another, act by act, at the time at which each happened.

Identifiers stay what they were, so that what is there already is passed over and a load that was broken off goes on.
Every document goes through the checks of the present software again; its observations are reduced anew.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Final
from uuid import UUID

from service.intake.document_file import with_copies
from service.intake.package_acts import Act, Acts
from service.intake.refusals import Refused
from service.intake.restoring import DEEDS, is_there
from service.intake.weighing import Outcome, Scales, Sent
from service.record import archive, bulk, ledger
from service.record.bulk import NewStart
from service.record.database import Database, Session
from service.record.errors import Conflict, NotFound

Progress = Callable[[int, int], None]
"""Told which ledger position is reached, and the last one."""

_BATCH: Final = 500


class NotWhole(Conflict):
    """A package isn't what it was when it was handed out."""


@dataclass(frozen=True, slots=True)
class RefusedAct:
    """What the present software doesn't take, by its position in the record that it came from."""

    position: int
    refused: Refused


@dataclass(slots=True)
class Restored:
    """What came of some packages."""

    acts: int = 0
    replications: int = 0
    already_there: int = 0
    erased: int = 0
    untold: int = 0
    passed_over: int = 0
    refused: list[RefusedAct] = field(default_factory=list)


def load_packages(
    database: Database, paths: Sequence[Path], *, processes: int = 0, progress: Progress | None = None
) -> Restored:
    """Load data packages of one record.

    Parameters
    ----------
    database : Database
        A record whose tables are up to date.
    paths : sequence of Path
        The packages, all at once: the ledger's time never steps back, so that another one can't follow.
    processes : int
        Processes that check documents; 0 does it in this one.
    progress : callable or None
        Called after every batch.

    Raises
    ------
    NotAPackage, NotWhole
        One of them isn't one, was altered, or is of another record than the others.
    service.record.errors.Conflict
        The record has newer entries than the first act to be loaded, or another question of the same slug.

    """
    last = 0
    for path in paths:
        report = archive.check(path)
        if not report.whole:
            raise NotWhole(f"{path} isn't whole: {report.problems[0].detail} (position {report.problems[0].position}).")
        last = max(last, report.size)
    acts = Acts(paths)
    loading = _Loading(database)
    scales = Scales(processes)
    try:
        for batch, outcomes in scales.weighed(_batches(acts), _documents):
            loading.do(batch, outcomes)
            if progress is not None:
                progress(batch[-1].position, last)
    finally:
        scales.close()
    loading.done.erased, loading.done.untold = len(acts.erased), len(acts.withheld)
    return loading.done


def _batches(acts: Acts) -> Iterator[list[Act]]:
    coming = iter(acts)
    while batch := list(islice(coming, _BATCH)):
        yield batch


def _documents(batch: Sequence[Act]) -> list[Sent]:
    return [act.sent for act in batch if act.sent is not None]


@dataclass(slots=True)
class _Loading:
    database: Database
    done: Restored = field(default_factory=Restored)

    def do(self, batch: Sequence[Act], outcomes: Sequence[Outcome]) -> None:
        """Do a batch in one transaction, and count it once that is committed."""
        weighed = {sent.replication_id: outcome for sent, outcome in zip(_documents(batch), outcomes, strict=True)}
        done = self.database.run_write(lambda session: _Batch(session, weighed).do(batch))
        self.done.acts += done.acts
        self.done.replications += done.replications
        self.done.already_there += done.already_there
        self.done.passed_over += done.passed_over
        self.done.refused += done.refused


@dataclass(slots=True)
class _Batch:
    session: Session
    weighed: Mapping[UUID, Outcome]
    done: Restored = field(default_factory=Restored)
    waiting: list[tuple[Act, NewStart]] = field(default_factory=list)

    def do(self, batch: Sequence[Act]) -> Restored:
        there = bulk.present(self.session, [act.sent.replication_id for act in batch if act.sent is not None])
        newest = ledger.head(self.session).at
        for act in batch:
            if act.sent is not None and act.sent.replication_id in there:
                self.done.already_there += 1
                continue
            if newest is not None and act.at < newest and not is_there(self.session, act):
                raise Conflict(
                    "The record has newer entries than what is to be loaded: load packages into a fresh record, all "
                    "of them at once."
                )
            self._do(act)
        self._start_waiting()
        return self.done

    def _do(self, act: Act) -> None:
        try:
            if act.sent is not None:
                self._wait(act, act.sent)
                return
            self._start_waiting()
            if is_there(self.session, act):
                self.done.already_there += 1
                return
            self.session.info["clock"] = lambda: act.at
            DEEDS[act.kind](self.session, act, act.content or {})
            self.done.acts += 1
        except Refused as refused:
            self.done.refused.append(RefusedAct(act.position, refused))
        except NotFound:
            # It is about something that was erased, refused, or isn't in these packages.
            self.done.passed_over += 1

    def _wait(self, act: Act, sent: Sent) -> None:
        outcome = self.weighed[sent.replication_id]
        if isinstance(outcome, Refused):
            raise outcome
        self.waiting.append((act, outcome))

    def _start_waiting(self) -> None:
        """Start together what follows on one another."""
        if not self.waiting:
            return
        acts, starts = [act for act, _ in self.waiting], [start for _, start in self.waiting]
        self.waiting = []
        self.session.info["clock"] = lambda: acts[0].at
        bulk.join(self.session, [act.member for act in acts if act.member is not None])
        bulk.start_all(self.session, with_copies(self.session, starts), [act.at for act in acts])
        self.done.replications += len(starts)
        self.done.acts += len(starts)
