"""The two kinds of secret link to a sealed trial: the helper's, to pour by, and the tasters', to answer by.

A link is known by the hash of its secret. One that is unknown, of another trial or of the other kind is not found, and
nothing says which.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, TypeVar

from fastapi import APIRouter, Path
from pydantic import BaseModel
from starlette.responses import Response

from service.api.conditional import PRIVATE
from service.api.routing import Route
from service.api.security import hashed
from service.api.storage import Storage, Stored, json_response
from service.intake.pouring import close_as_helper, pour_sheet
from service.intake.sealed_documents import TasterAnswer
from service.intake.sealed_shown import AnswerKept, PourSheet, TasterTurn, TrialShown
from service.intake.trial_answering import Answered, answer, turn
from service.intake.trial_ending import end_if_due
from service.intake.trial_results import trial_shown
from service.record import trials

if TYPE_CHECKING:
    from uuid import UUID

    from service.record.database import Session

router = APIRouter(prefix="/v1", route_class=Route, tags=["trials"])

T = TypeVar("T")
Secret = Annotated[str, Path(description="The end of a link that was given out once.")]
_HEADERS = {"Cache-Control": PRIVATE, "Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex"}


def _secretly(body: BaseModel, extra: dict[str, str] | None = None) -> Response:
    return json_response(body, headers={**_HEADERS, **(extra or {})})


async def settled(storage: Storage, link_hash: str) -> None:
    """End the trial of a taster's link by its age, where it has been open for as long as one may be."""

    def overdue(session: "Session") -> "UUID | None":
        trial, _ = trials.by_taster_hash(session, link_hash)
        return trial.id if trials.is_due(session, trial) else None

    trial_id = await storage.read(overdue)
    if trial_id is not None:
        await storage.write(lambda session: end_if_due(session, trial_id))


def _with(link_hash: str, work: "Callable[[Session, str], T]") -> "Callable[[Session], T]":
    return lambda session: work(session, link_hash)


@router.get("/pour/{secret}", operation_id="read_pour_sheet", response_model=PourSheet, summary="What to pour")
async def read_pour_sheet(secret: Secret, storage: Stored) -> Response:
    """Show the helper which batch goes under which code. That the sheet was opened is written down."""
    return _secretly(await storage.write(_with(hashed(secret), pour_sheet)))


@router.post(
    "/pour/{secret}/close", operation_id="close_trial_as_helper", response_model=TrialShown, summary="End it early"
)
async def close_trial_as_helper(secret: Secret, storage: Stored) -> Response:
    """End a trial before its last answer, for all to see; sets answered so far count."""

    def end(session: "Session") -> TrialShown:
        return trial_shown(session, close_as_helper(session, hashed(secret)))

    return _secretly(await storage.write(end))


@router.get("/taste/{secret}", operation_id="read_turn", response_model=TasterTurn, summary="What is served now")
async def read_turn(secret: Secret, storage: Stored) -> Response:
    """Show a taster the codes of the present set, and nothing that says what is under them."""
    link_hash = hashed(secret)
    await settled(storage, link_hash)
    return _secretly(await storage.read(_with(link_hash, turn)))


@router.post(
    "/taste/{secret}/answers", operation_id="answer_set", response_model=AnswerKept, summary="Answer the present set"
)
async def answer_set(secret: Secret, body: TasterAnswer, storage: Stored) -> Response:
    """Answer one set, for good. The same answer again is answered again; whether it was right is for the end."""
    link_hash = hashed(secret)
    await settled(storage, link_hash)

    def write_down(session: "Session") -> Answered:
        return answer(session, link_hash, body)

    answered = await storage.write(write_down)
    return _secretly(answered.kept, {"Idempotent-Replayed": "true"} if answered.replayed else None)
