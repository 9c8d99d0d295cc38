"""From plain documents to everything computed from them, without a record."""

from dataclasses import dataclass
from datetime import datetime

from service.intake.confounds import find
from service.intake.copies import Likeness
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.flags import Flag
from service.intake.observations import Reduced, reduce
from service.intake.protocol_check import Checked, check
from service.intake.report import report
from service.intake.report_models import Report
from tests.intake import documents


@dataclass
class Weighed:
    checked: Checked
    flags: dict[str, Flag]
    reduced: Reduced
    report: Report

    @property
    def rows(self):
        return {(row.outcome, row.treatment): row for row in self.reduced.observations}

    def row(self, outcome="perceivable_difference", treatment="treatment"):
        return self.rows[outcome, treatment]


def checked(protocol=None, sealed=(), **changes) -> Checked:
    document = ReplicationDocument.model_validate(documents.replication(**changes))
    return check(
        document.model_copy(update={"trials": [*document.trials, *sealed]}),
        QuestionDocument.model_validate(documents.question()),
        ProtocolDocument.model_validate(protocol or documents.protocol()),
    )


def weigh(
    protocol=None, *, registered_at: datetime | None = None, like: Likeness = "none", sealed=(), **changes
) -> Weighed:
    looked_at = checked(protocol, sealed, **changes)
    flags = find(looked_at, registered_at=registered_at, like=like)
    reduced = reduce(looked_at, flags, registered_at=registered_at)
    by_name = {flag.name: flag for flag in flags}
    return Weighed(looked_at, by_name, reduced, report(looked_at, reduced.observations, flags))
