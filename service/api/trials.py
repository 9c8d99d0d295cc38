"""Sealed trials by their id: the owner opens and closes them, and anybody may follow them."""

from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.api.conditional import PRIVATE, REVALIDATE, matched, not_modified
from service.api.links import address
from service.api.problems import Problem
from service.api.routing import Route
from service.api.security import SignedIn, hashed, new_secret
from service.api.storage import Answer, Stored, json_response, write_now
from service.intake.pouring import close
from service.intake.sealed_documents import TrialOpening
from service.intake.sealed_shown import TrialShown
from service.intake.submission import owned
from service.intake.tasting_load import Alcohol
from service.intake.trial_ending import end_if_due
from service.intake.trial_opening import open_trial
from service.intake.trial_results import trial_shown
from service.record import contributors, trials
from service.record.errors import NotFound

if TYPE_CHECKING:
    from service.record.database import Session
    from service.record.trial_tables import SealedTrial

router = APIRouter(prefix="/v1", route_class=Route, tags=["trials"])


class TasterLink(BaseModel):
    """One taster's own link."""

    model_config = ConfigDict(extra="forbid")
    assessor: str
    taster_link: str


class OpenedTrial(BaseModel):
    """A sealed trial just opened, with the links that are shown this once."""

    model_config = ConfigDict(extra="forbid")
    id: UUID
    planned: int = Field(description="Sets in all, over every taster.")
    presentations: int = Field(description="Sets for each taster.")
    key_commitment: str = Field(
        description="Hex SHA-256 over a salt and the RFC 8785 bytes of the key; both are shown when the trial ends."
    )
    opened_at: datetime
    closes_at: datetime = Field(description="When it ends by itself.")
    ledger_position: int
    helper_link: str = Field(description="For whoever pours, and tastes nothing. Give it away without opening it.")
    tasters: list[TasterLink]
    alcohol: Alcohol
    cautions: list[str]


@router.post(
    "/replications/{replication_id}/trials",
    status_code=201,
    operation_id="open_trial",
    response_model=OpenedTrial,
    summary="Open a sealed trial",
)
async def open_sealed_trial(
    request: Request, replication_id: UUID, body: TrialOpening, caller: SignedIn, storage: Stored
) -> Response:
    """Have the service draw orders and codes and hold the key. It makes secrets, so no Idempotency-Key replays it."""
    helper, tasters = new_secret(), [new_secret() for _ in body.tasters]

    def opened(session: "Session") -> Answer:
        made = open_trial(
            session,
            contributors.get(session, caller.id),
            replication_id,
            body,
            helper_hash=hashed(helper),
            taster_hashes=[hashed(secret) for secret in tasters],
        )
        answer = OpenedTrial(
            id=made.trial.id,
            planned=made.planned,
            presentations=body.presentations,
            key_commitment=made.trial.key_commitment,
            opened_at=made.trial.opened_at,
            closes_at=made.trial.due_at,
            ledger_position=made.trial.opened_position,
            helper_link=address(request, f"/v1/pour/{helper}"),
            tasters=[
                TasterLink(assessor=assessor, taster_link=address(request, f"/v1/taste/{secret}"))
                for assessor, secret in zip(body.tasters, tasters, strict=True)
            ],
            alcohol=made.alcohol,
            cautions=made.alcohol.cautions,
        )
        return Answer(answer, 201, f"/v1/trials/{made.trial.id}")

    return await write_now(request, storage, opened)


def _known(session: "Session", trial_id: UUID) -> "SealedTrial":
    try:
        return trials.get(session, trial_id)
    except NotFound:
        if trials.was_erased(session, trial_id):
            raise Problem("gone") from None
        raise


@router.get("/trials/{trial_id}", operation_id="read_trial", response_model=TrialShown, summary="A sealed trial")
async def read_trial(request: Request, trial_id: UUID, storage: Stored) -> Response:
    """Show how far an open trial has come; once it has ended, its key, salt, answers and result."""

    def look(session: "Session") -> TrialShown | None:
        trial = _known(session, trial_id)
        return None if trials.is_due(session, trial) else trial_shown(session, trial)

    shown = await storage.read(look)
    if shown is None:
        shown = await storage.write(lambda session: trial_shown(session, end_if_due(session, trial_id)))
    if shown.ledger.closed is None:
        return json_response(shown, headers={"Cache-Control": PRIVATE})
    tag = f'"t{shown.ledger.closed}"'
    if matched(request, tag):
        return not_modified(tag)
    return json_response(shown, headers={"ETag": tag, "Cache-Control": REVALIDATE})


@router.post(
    "/trials/{trial_id}/close", operation_id="close_trial", response_model=TrialShown, summary="End a trial early"
)
async def close_trial(request: Request, trial_id: UUID, caller: SignedIn, storage: Stored) -> Response:
    """End a trial of your own before its last answer, for all to see; sets answered so far count.

    One that has ended stays as it is.
    """

    def end(session: "Session") -> Answer:
        trial = _known(session, trial_id)
        owned(session, contributors.get(session, caller.id), trial.replication_id)
        return Answer(trial_shown(session, close(session, trial, "owner")))

    return await write_now(request, storage, end)
