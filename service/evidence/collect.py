"""What the record held about a question at a ledger position, gathered once and in order of receipt."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from service.evidence.aims import PERCEIVABLE, Aims, aims_of
from service.evidence.compared import WITHDRAWAL_ASKED, Compared, compared
from service.evidence.comparison import Arms, ComparisonUnknownError, comparison_of, is_planned
from service.evidence.filters import Filters
from service.record import ledger, questions, reports
from service.record.database import Session
from service.record.observation_columns import Observations
from service.record.question_columns import state_at
from service.record.rows import ProtocolVersion
from service.record.start_columns import Starts
from service.record.tables import Question
from service.record.words import distinct, is_among, occurring

__all__ = [
    "PERCEIVABLE",
    "WITHDRAWAL_ASKED",
    "Collected",
    "ComparisonUnknownError",
    "Held",
    "choose",
    "collect",
    "read",
]


@dataclass(frozen=True, slots=True)
class Held:
    """A question's part of the record at a ledger position, as read and not yet chosen from.

    `merged_into` is the slug of the question in whose answer its replications stand since a merge.
    """

    question: Question
    protocols: Sequence[ProtocolVersion]
    rows: Observations
    starts: Starts
    leanings: reports.Leanings
    position: int
    root_hash: str
    at: datetime
    merged_into: str | None = None

    @property
    def reported(self) -> list[Arms]:
        """The comparisons that stand in the evidence, in order of receipt."""
        controls, treatments = self.rows.words("control"), self.rows.words("treatment")
        pair = self.rows.codes("control") * len(treatments.meanings) + self.rows.codes("treatment")
        standing = pair[~self.rows.number("sham") & ~self.rows.retracted]
        # Of the few pairs that there are, each is looked for from the start.
        pairs = sorted(occurring(standing), key=lambda each: int(np.argmax(standing == each)))
        control, treatment = np.divmod(np.array(pairs, dtype=np.int32), len(treatments.meanings) or 1)
        return list(zip(controls.said(control), treatments.said(treatment), strict=True))


@dataclass(frozen=True, slots=True)
class Collected:
    """Everything that one answer is made from, and nothing that was not in the record at its position.

    `silent` are the replications that were started and show no result: never reported, or erased since by whoever sent
    it.
    """

    held: Held
    aims: Aims
    control: str
    treatment: str
    filters: Filters
    rows: Compared
    retracted: Compared
    filtered_out: int
    starts: Starts
    silent: Starts
    _of: dict[tuple[str, bool], Compared] = field(default_factory=dict, repr=False)

    @property
    def question(self) -> Question:
        """The question that is answered."""
        return self.held.question

    @property
    def position(self) -> int:
        """The ledger position of the state that the answer is computed from."""
        return self.held.position

    @property
    def primary(self) -> str:
        """The outcome that carries the claim."""
        return self.aims.primary

    def of(self, outcome: str, *, sham: bool = False) -> Compared:
        """The observations of one outcome, in order of receipt."""
        if (outcome, sham) not in self._of:
            mask = self.rows.says("outcome", outcome) & (self.rows.number("sham") == sham)
            self._of[outcome, sham] = self.rows.where(mask)
        return self._of[outcome, sham]

    def put_back(self, outcome: str) -> Compared:
        """The observations of one outcome that were retracted, shams aside."""
        return self.retracted.where(self.retracted.says("outcome", outcome) & ~self.retracted.number("sham"))

    def label(self, key: str) -> str:
        """What an arm is called."""
        return str(next(arm["label"] for arm in self.question.arms if arm["key"] == key))


def collect(session: Session, question: Question, filters: Filters, position: int) -> Collected:
    """Read the question's part of the record as it stood at a ledger position, and choose from it.

    Parameters
    ----------
    session : Session
        A reading session of the record.
    question : Question
        The question asked about.
    filters : Filters
        Which arms, and which part of their replications.
    position : int
        The last ledger entry that touches the question, at or before the position asked about.

    Raises
    ------
    ComparisonUnknownError
        The arms named are not two arms of this question.

    """
    comparison_of(question, filters.control, filters.treatment)
    return choose(read(session, question, position), filters)


def read(session: Session, question: Question, position: int) -> Held:
    """Read all that the record held about a question at a ledger position."""
    entry = ledger.entry(session, position)
    rows, starts = state_at(session, question.id, position)
    return Held(
        question=question,
        protocols=[each for each in questions.protocols(session, question) if each.position <= position],
        rows=rows,
        starts=starts,
        leanings=reports.leanings_at(session, question.id, position),
        position=position,
        root_hash=entry.root_hash,
        at=entry.at,
        merged_into=_merged_into(session, question, position),
    )


def _merged_into(session: Session, question: Question, position: int) -> str | None:
    into, since = question.merged_into_id, question.merged_position
    if into is None or since is None or since > position:
        return None
    return questions.slugs(session, [into])[into]


def choose(held: Held, filters: Filters) -> Collected:
    """Choose the comparison, and the part of its replications, that is asked about."""
    arms = comparison_of(held.question, filters.control, filters.treatment)
    every = compared(held.rows, arms, held.starts.columns.has_reached("withdrawal_asked", held.position))
    stands = ~every.retracted
    kept = filters.mask(every)
    standing = every.where(kept & stands)
    starts = _started(held.starts, every, arms, filters)
    return Collected(
        held=held,
        aims=aims_of(held.protocols, held.starts.first("submitted")),
        control=arms[0],
        treatment=arms[1],
        filters=filters,
        rows=standing,
        retracted=every.where(kept & ~stands),
        filtered_out=0 if kept.all() else distinct(every.replication[stands]) - distinct(standing.replication),
        starts=starts,
        silent=starts.where(~starts.reached("submitted") | starts.reached("erased")),
    )


def _started(starts: Starts, every: Compared, arms: Arms, filters: Filters) -> Starts:
    """Find the replications that meant to compare these arms, or did."""
    plans, which = starts.plans()
    meant = plans.those(which, lambda plan: is_planned(plan, arms))
    did = is_among(starts.places, every.replication[~every.number("sham")])
    asked = starts.protocol_versions == (filters.protocol_version or starts.protocol_versions)
    return starts.where((meant | did) & asked)
