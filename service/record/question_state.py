"""What stood in a question's evidence, at every position at once."""

from dataclasses import dataclass
from uuid import UUID

from sqlalchemy.orm import Session

from service.record.observation_columns import ObservationColumns, Observations
from service.record.replication_reads import with_merged
from service.record.start_columns import StartColumns, Starts

LARGE = 2000
"""Observations from which on a question is large: others would feel how long reading and answering take."""
_SHARE_NOT_KEPT = 10


@dataclass(frozen=True, slots=True)
class QuestionColumns:
    """All that stood in a question's evidence up to a position: every earlier state is a mask over it."""

    position: int
    starts: StartColumns
    observations: ObservationColumns
    family: frozenset[UUID]
    """The question, and those that had been merged into it by that position."""
    not_kept: int
    """How much was read again since they were last kept in the record: all of it where they never were."""

    def at(self, session: Session, position: int) -> tuple[Observations, Starts]:
        """See the question as it stood at a position, no later than that of the columns."""
        question_id, is_newest = self.observations.question_id, position == self.position
        family = self.family if is_newest else with_merged(session, question_id, position)
        return self.observations.at(position, self.starts), self.starts.at(position, family)

    @property
    def is_worth_keeping(self) -> bool:
        """Whether they are of a large question, and much of them would have to be read again."""
        return len(self.observations) > LARGE and self.not_kept * _SHARE_NOT_KEPT > len(self.observations)

    def size_bytes(self) -> int:
        """Estimate the memory they take."""
        return self.starts.size_bytes() + self.observations.size_bytes()
