"""Every flag on one document, computed and not confessed."""

from collections.abc import Mapping
from datetime import datetime

from service.intake.conditions import condition_flags
from service.intake.copies import Likeness
from service.intake.ferment_confounds import ferment_flags
from service.intake.flags import Flag
from service.intake.protocol_check import Checked
from service.intake.registration import registration_flags
from service.intake.run_confounds import run_flags
from service.intake.sealed_confounds import sealed_flags
from service.intake.trial_confounds import trial_flags

COPIES: Mapping[Likeness, Flag | None] = {
    "none": None,
    "near": Flag(
        "near_copy_of_another_document", "Another replication of this question has the same figures throughout."
    ),
    "same": Flag("copy_of_another_document", "Another replication of this question has the same content."),
}


def find(checked: Checked, *, registered_at: datetime | None, like: Likeness = "none") -> tuple[Flag, ...]:
    """Find everything that could explain a result other than the factor, and everything left unsaid.

    Parameters
    ----------
    checked : Checked
        A document that fits its protocol; its deviations come first.
    registered_at : datetime or None
        When the plan was stamped; None where it never was.
    like : "none", "near" or "same"
        How alike another replication of the question is.

    """
    if checked.document.state == "registered":
        return checked.deviations
    copy = COPIES[like]
    return (
        *checked.deviations,
        *([] if copy is None else [copy]),
        *registration_flags(checked, registered_at),
        *ferment_flags(checked),
        *condition_flags(checked),
        *run_flags(checked),
        *trial_flags(checked),
        *sealed_flags(checked),
    )
