"""Which part of the record a reader asks about."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.record.rows import RecordedObservation


@dataclass(frozen=True, slots=True)
class Where:
    """One condition on a moderator: the replication's `conditions` say this of that."""

    key: str
    value: str

    def holds(self, moderators: Mapping[str, Any]) -> bool:
        """Whether a replication's moderators meet it; text is compared without case, numbers by value."""
        if self.key not in moderators:
            return False
        said = moderators[self.key]
        if isinstance(said, bool):
            return self.value.lower() == str(said).lower()
        if isinstance(said, (int, float)):
            try:
                return float(self.value) == float(said)
            except ValueError:
                return False
        return str(said).strip().lower() == self.value.strip().lower()


@dataclass(frozen=True, slots=True)
class Filters:
    """What a reader narrows the evidence to. Choosing two arms is asking a question; the rest is exploring."""

    control: str | None = None
    treatment: str | None = None
    protocol_version: int | None = None
    sealed: bool | None = None
    registered: bool | None = None
    vouched: bool | None = None
    conditions_met: bool | None = None
    method: str | None = None
    where: tuple[Where, ...] = field(default=())

    @property
    def exploratory(self) -> bool:
        """Whether the answer is about a part chosen by the reader, perhaps after seeing it."""
        chosen = (self.protocol_version, self.sealed, self.registered, self.vouched, self.conditions_met, self.method)
        return any(value is not None for value in chosen) or bool(self.where)

    def keeps(self, row: RecordedObservation) -> bool:
        """Whether an observation is in the part asked about."""
        return (
            (self.protocol_version is None or row.protocol_version == self.protocol_version)
            and (self.sealed is None or row.sealed == self.sealed)
            and (self.registered is None or row.registered == self.registered)
            and (self.vouched is None or row.vouched == self.vouched)
            and (self.conditions_met is None or (row.conditions_met is True) == self.conditions_met)
            and (self.method is None or row.method is None or row.method == self.method)
            and all(condition.holds(row.moderators) for condition in self.where)
        )

    def shown(self) -> dict[str, Any]:
        """The filters as an answer echoes them."""
        said = {
            "protocol_version": self.protocol_version,
            "sealed": self.sealed,
            "registered": self.registered,
            "vouched": self.vouched,
            "conditions_met": self.conditions_met,
            "method": self.method,
            "where": [f"{condition.key}:{condition.value}" for condition in self.where] or None,
        }
        return {name: value for name, value in said.items() if value is not None}
