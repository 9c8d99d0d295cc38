"""Opening a sealed trial of one's own, and its links on paper: each shown this once."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

import segno
from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from service.api.problems import Fault, Problem
from service.api.refusals import from_intake
from service.api.security import hashed, new_secret
from service.api.storage import Stored
from service.intake.asking import question_document
from service.intake.documents import ProtocolDocument, QuestionDocument
from service.intake.pouring import close
from service.intake.refusals import Refused
from service.intake.sealed_documents import TrialOpening
from service.intake.sealed_shown import SealedTrialShown
from service.intake.submission import owned
from service.intake.trial_opening import Opened, open_trial
from service.intake.trial_results import sealed_trials_shown
from service.pages.forms import Form
from service.pages.layout import PRIVATE, SECRET, page, see_other
from service.pages.posted import Signed
from service.pages.received import read_as
from service.pages.sessions import Present, Visitor
from service.pages.take_part import somebody
from service.pages.typed import Typed, typed_of
from service.record import contributors, questions, trials

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_ADDRESS = "/take-part/replications/{replication_id}/trials"
_PLAIN_PORTS = {("http", 80), ("https", 443)}


@dataclass(frozen=True, slots=True)
class _Own:
    """A replication of the visitor's own, as far as its trials need it."""

    question: QuestionDocument
    protocol: ProtocolDocument
    state: str
    trials: list[SealedTrialShown]


@dataclass(frozen=True, slots=True)
class Link:
    """A secret link: whose it is, its address, and the same as a QR code."""

    whose: str
    address: str
    code: Markup


def _own(session: "Session", visitor: Visitor, replication_id: UUID) -> _Own:
    replication = owned(session, contributors.get(session, visitor.caller.id), replication_id)
    question = questions.get(session, replication.question_id)
    document = questions.protocol(session, question, replication.protocol_version).document
    if document is None:
        raise Problem("gone")
    return _Own(
        question_document(question),
        ProtocolDocument.model_validate(document),
        replication.state,
        sealed_trials_shown(session, replication_id),
    )


@router.get(_ADDRESS)
async def list_own(request: Request, replication_id: UUID, storage: Stored, visitor: Present) -> Response:
    """Show the sealed trials of one's own replication, and the form that opens another."""
    who = somebody(visitor)
    own = await storage.read(lambda session: _own(session, who, replication_id))
    return _form(request, own, Form.over(TrialOpening, _usual(own)), who, replication_id)


def _usual(own: _Own) -> Typed:
    trial = own.protocol.trial
    usual = {"tasters": "p1", "days": "1"}
    if trial is not None:
        named = {"method": trial.method, "control": trial.control, "treatment": trial.treatment}
        usual |= typed_of(named) | {"presentations": str(trial.presentations)}
        usual |= typed_of({"pour_ml": trial.pour_ml, "abv_percent": trial.tasting_abv_percent})
    return usual


def _form(
    request: Request, own: _Own, form: Form, visitor: Visitor, replication_id: UUID, status: int = 200
) -> Response:
    shown: dict[str, Any] = {"own": own, "form": form, "visitor": visitor, "replication_id": replication_id}
    return page(request, "sealed_trials.html", status=status, headers=PRIVATE, **shown)


@router.post(_ADDRESS)
async def open_own(request: Request, replication_id: UUID, storage: Stored, signed: Signed) -> Response:
    """Open a sealed trial, and show its links this once."""
    visitor, fields = signed
    own = await storage.read(lambda session: _own(session, visitor, replication_id))
    form = Form.over(TrialOpening, fields)
    try:
        opening = read_as(TrialOpening, form.document())
        helper, secrets = new_secret(), [new_secret() for _ in opening.tasters]

        def draw(session: "Session") -> Opened:
            return open_trial(
                session,
                contributors.get(session, visitor.caller.id),
                replication_id,
                opening,
                helper_hash=hashed(helper),
                taster_hashes=[hashed(secret) for secret in secrets],
            )

        opened = await storage.write(draw)
    except (Problem, Refused) as refused:
        problem = from_intake(refused) if isinstance(refused, Refused) else refused
        form.refuse(problem.faults or [Fault(pointer="", detail=str(problem.detail))])
        return _form(request, own, form, visitor, replication_id, 422)
    shown: dict[str, Any] = {
        "title": own.question.title,
        "replication_id": replication_id,
        "opened": opened,
        "commitment": opened.trial.key_commitment,
        "closes_at": opened.trial.due_at,
        "helper": _link(request, "the helper", f"/pour/{helper}"),
        "tasters": [
            _link(request, assessor, f"/taste/{secret}")
            for assessor, secret in zip(opening.tasters, secrets, strict=True)
        ],
    }
    return page(request, "links.html", headers=SECRET, **shown)


def _link(request: Request, whose: str, path: str) -> Link:
    address = f"{_origin(request)}{path}"
    drawn = segno.make(address, error="m", micro=False).svg_inline(border=4, omitsize=True)
    return Link(whose, address, Markup(drawn))  # noqa: S704  drawn here, of nothing but squares


def _origin(request: Request) -> str:
    """Give the address that others reach us by: PUBLIC_URL, else where this connection arrived; never Host."""
    public_url: str = request.app.state.settings.public_url
    if public_url:
        return public_url
    host, port = request.scope.get("server") or ("127.0.0.1", 80)
    scheme = request.url.scheme
    named = f"[{host}]" if ":" in host else host
    plain = port is None or (scheme, port) in _PLAIN_PORTS
    return f"{scheme}://{named}" if plain else f"{scheme}://{named}:{port}"


@router.post("/take-part/replications/{replication_id}/trials/{trial_id}/close")
async def close_own(
    request: Request, replication_id: UUID, trial_id: UUID, storage: Stored, signed: Signed
) -> Response:
    """End a sealed trial of one's own before its last answer, for all to see."""
    visitor, _ = signed

    def end(session: "Session") -> None:
        trial = trials.get(session, trial_id)
        owned(session, contributors.get(session, visitor.caller.id), trial.replication_id)
        close(session, trial, "owner")

    await storage.write(end)
    return see_other(request, f"/take-part/replications/{replication_id}/trials")
