"""How the intake room says no; the doors turn each kind into an answer of theirs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "invalid",
    "conflict",
    "forbidden",
    "not_found",
    "plan_fixed",
    "trial_open",
    "trial_ended",
    "out_of_turn",
    "answer_final",
    "code_not_served",
]
"""`invalid`: mend the input. `conflict`: the state or a rule of the protocol forbids it. The others say themselves; the
last five are of sealed trials."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What to mend, and where: an RFC 6901 pointer into the document that was sent."""

    pointer: str
    detail: str


class Refused(Exception):  # noqa: N818  it says what happened
    """A document that can't be taken as it is.

    Parameters
    ----------
    detail : str
        One sentence on what to do about it.
    faults : iterable of Fault
        For `invalid`, each place to mend.
    kind : str
        See `Kind`.

    """

    def __init__(self, detail: str, faults: Iterable[Fault] = (), kind: Kind = "invalid") -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults: Sequence[Fault] = tuple(faults)
        self.kind: Kind = kind


def invalid(faults: Iterable[Fault]) -> Refused:
    """Return a refusal of input, for one fault or more."""
    listed = tuple(faults)
    return Refused(listed[0].detail if len(listed) == 1 else f"{len(listed)} things need mending", listed)


def plan_fixed(detail: str) -> Refused:
    """Return a refusal of another plan than the one that was stamped."""
    return Refused(detail, kind="plan_fixed")


def conflict(detail: str) -> Refused:
    """Return a refusal by state or by a rule of the protocol."""
    return Refused(detail, kind="conflict")
