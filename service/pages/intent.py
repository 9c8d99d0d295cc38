"""What somebody means to do with a document that they look at before anything of it is kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal
from uuid import UUID

from service.api.problems import Problem
from service.intake import submission
from service.intake.documents import ReplicationDocument, Revision
from service.intake.strict import plain
from service.record import contributors

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.intake.report_models import FermentReport
    from service.pages.sessions import Visitor
    from service.record.database import Session

Act = Literal["register", "submit", "save", "report", "amend"]
"""`register` and `submit` begin a replication; the others go on with one: save more of it, submit it, or amend it."""

_ACTS: Mapping[str, Act] = {"register": "register", "submit": "submit", "save": "save", "report": "report"}
_LONGEST_NUMBER = 12


@dataclass(frozen=True, slots=True)
class Intent:
    """An act, and for one's own replication which it is, the revision that was read, and why it is amended."""

    act: Act
    about: UUID | None = None
    revision: int = 0
    reason: str = ""

    @property
    def state(self) -> str:
        """The state that the document asks for."""
        return "registered" if self.act in {"register", "save"} else "submitted"

    @property
    def address(self) -> str:
        """Where the form is that goes on with the replication."""
        return f"/take-part/replications/{self.about}" if self.about else ""

    def fields(self) -> dict[str, str]:
        """Write it into a form that carries it on."""
        return {
            "intent": self.act,
            "about": str(self.about or ""),
            "revision": str(self.revision),
            "reason": self.reason,
        }


def read_intent(fields: Mapping[str, str]) -> Intent:
    """Read an intent from the form that carried it, or refuse what no form of ours says."""
    act: Act | None = "amend" if fields.get("intent") == "amend" else _ACTS.get(fields.get("intent", ""))
    try:
        about = UUID(fields["about"]) if fields.get("about") else None
    except ValueError:
        raise Problem("not-found") from None
    if act is None or (about is None) != (act in {"register", "submit"}):
        raise Problem("malformed-request", "this form is incomplete; look at the report again and send it from there")
    return Intent(act, about, read_revision(fields), fields.get("reason", ""))


def read_revision(fields: Mapping[str, str]) -> int:
    """Read the number of the revision that a form was made from; 0 where it says none, which is nobody's newest."""
    text = fields.get("revision", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < _LONGEST_NUMBER else 0


def carry_out(
    session: "Session",
    visitor: "Visitor",
    document: ReplicationDocument,
    intent: Intent,
    followed: "Sequence[FermentReport] | None" = None,
) -> submission.Kept:
    """Do it, in one transaction of the caller's."""
    contributor = contributors.get(session, visitor.caller.id)
    if intent.about is None:
        return submission.post_replication(session, contributor, document, followed)
    reason = {"reason": intent.reason} if intent.act == "amend" and intent.reason.strip() else {}
    revision = Revision.model_validate({**plain(document), **reason})
    kept = submission.put_replication(session, contributor, intent.about, revision, intent.revision, followed)
    return submission.submit_registered(session, contributor, intent.about) if intent.act == "report" else kept
