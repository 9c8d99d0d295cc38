"""Which part of the record a reader asks about."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.evidence.compared import Compared
from service.record.words import BoolArray


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

    def mask(self, rows: Compared) -> BoolArray:
        """Say which observations are in the part asked about."""
        kept = np.ones(len(rows), dtype=np.bool_)
        if self.protocol_version is not None:
            kept &= rows.number("protocol_version") == self.protocol_version
        if self.sealed is not None:
            kept &= rows.number("sealed") == self.sealed
        if self.registered is not None:
            kept &= rows.number("registered") == self.registered
        if self.vouched is not None:
            kept &= rows.vouched == self.vouched
        if self.conditions_met is not None:
            kept &= (rows.number("conditions_met") == 1) == self.conditions_met
        if self.method is not None:
            kept &= rows.says("method", None) | rows.says("method", self.method)
        said, codes = rows.words("moderators")
        for condition in self.where:
            kept &= said.those(codes, condition.holds)
        return kept

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
