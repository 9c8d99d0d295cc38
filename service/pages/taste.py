"""The taster's page: one set at a time, notes before the choice, and nothing of what comes next."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.problems import Problem
from service.api.refusals import from_intake
from service.api.storage import Stored
from service.api.trial_links import settled
from service.intake.refusals import Refused
from service.intake.sealed_documents import TasterAnswer
from service.intake.sealed_shown import TasterTurn, TrialShown
from service.intake.tasting_load import alcohol_of
from service.intake.trial_answering import answer, turn
from service.intake.trial_results import trial_shown
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import pairs
from service.pages.received import read_as
from service.pages.secret_links import door_page, enter, home_of, link_hash, mark_of, require_mark, secret_of
from service.record import questions, replication_reads, trials

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_NOTHING_TYPED: Mapping[str, list[str]] = {"notes": [""], "chosen": [], "preferred": [], "confidence": []}


@dataclass(frozen=True, slots=True)
class _Unsealed:
    """One set of the taster's own, with the key: what each code was, what they chose, and whether that was right."""

    presentation: int
    glasses: list[tuple[str, str]]
    chosen: list[str]
    right: bool


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a taster's page shows."""

    turn: TasterTurn
    poured_g: float
    poured_in_all_g: float
    reading: str | None
    unsealed: list[_Unsealed]


@router.get("/taste/{secret}")
async def door(request: Request, secret: str) -> Response:
    """Ask whether to begin; nothing is looked up."""
    del secret
    return door_page(request, "taste")


@router.post("/taste/{secret}")
async def begin(request: Request, secret: str, storage: Stored) -> Response:
    """Trade the link for a page of the taster's own."""
    await storage.read(lambda session: trials.by_taster_hash(session, link_hash(secret)))
    return enter(request, "taste", secret)


@router.get("/taste/at/{mark}")
async def present_set(request: Request, mark: str, storage: Stored, rest: bool = False) -> Response:  # noqa: FBT001, FBT002  a query
    """Show the present set, or between two sets that it is time for water."""
    secret = secret_of(request, "taste", mark)
    await settled(storage, link_hash(secret))
    return _shown(request, secret, await storage.read(lambda session: _seen(session, secret)), rest=rest)


def _seen(session: "Session", secret: str) -> _Seen:
    now = turn(session, link_hash(secret))
    trial, taster = trials.by_taster_hash(session, link_hash(secret))
    alcohol = alcohol_of(trial.method, trial.presentations, trial.serving)
    each = alcohol.poured_g_per_day * alcohol.days / trial.presentations
    poured, in_all = each * now.answered, each * now.planned
    if trial.closed_position is None:
        return _Seen(now, poured, in_all, None, [])
    ended = trial_shown(session, trial)
    reading = ended.result.reading if ended.result else None
    return _Seen(now, poured, in_all, reading, _unsealed(session, ended, taster.assessor))


def _unsealed(session: "Session", ended: TrialShown, assessor: str) -> list[_Unsealed]:
    if ended.key is None or ended.replication is None:
        return []
    question = questions.get(session, replication_reads.get(session, ended.replication).question_id)
    labels = {arm["key"]: arm["label"] for arm in question.arms}
    poured = {
        each["presentation"]: each["glasses"] for each in ended.key["presentations"] if each["taster"] == assessor
    }
    return [
        _Unsealed(
            each.presentation,
            [(glass["code"], labels.get(glass["arm"], glass["arm"])) for glass in poured[each.presentation]],
            each.chosen_codes,
            each.right,
        )
        for each in ended.answers or ()
        if each.taster == assessor
    ]


def _shown(
    request: Request,
    secret: str,
    seen: _Seen,
    *,
    rest: bool = False,
    wrong: str = "",
    typed: Mapping[str, list[str]] = _NOTHING_TYPED,
) -> Response:
    resting = rest and seen.turn.answered > 0 and not wrong
    shown: dict[str, Any] = {
        "turn": seen.turn,
        "seen": seen,
        "home": home_of("taste", secret),
        "mark": mark_of(secret),
        "resting": resting,
        "wrong": wrong,
        "typed": {**_NOTHING_TYPED, **typed},
    }
    return page(request, "taste.html", status=422 if wrong else 200, headers=PRIVATE, **shown)


@router.post("/taste/at/{mark}")
async def take_answer(request: Request, mark: str, storage: Stored) -> Response:
    """Write one answer down, for good; the same one again changes nothing."""
    secret = secret_of(request, "taste", mark)
    sent = defaultdict(list)
    for name, value in await pairs(request):
        sent[name].append(value)
    require_mark(secret, {name: values[0] for name, values in sent.items()})
    await settled(storage, link_hash(secret))
    try:
        given = _read(sent)
        await storage.write(lambda session: answer(session, link_hash(secret), given))
    except (Problem, Refused) as refused:
        problem = from_intake(refused) if isinstance(refused, Refused) else refused
        seen = await storage.read(lambda session: _seen(session, secret))
        return _shown(request, secret, seen, wrong=_said(problem), typed=sent)
    return see_other(request, f"{home_of('taste', secret)}?rest=true")


def _said(problem: Problem) -> str:
    return problem.faults[0].detail if problem.faults else str(problem.detail)


def _read(sent: dict[str, list[str]]) -> TasterAnswer:
    """Read what was ticked and typed as the interface's own answer."""
    number = sent["presentation"][0] if sent["presentation"] else ""
    given: dict[str, Any] = {
        "presentation": int(number) if number.isascii() and number.isdigit() and len(number) < 7 else 0,
        "chosen_codes": sent["chosen"],
    }
    if any(text.strip() for text in sent["notes"]):
        given["notes"] = sent["notes"][0].strip()
    if any(sent["confidence"]):
        given["confidence"] = sent["confidence"][0]
    if sent["preferred"]:
        given["preferred_code"] = sent["preferred"][0] or None
    start = "words."
    ticked = {name.removeprefix(start): values for name, values in sent.items() if name.startswith(start) and values}
    if ticked:
        given["descriptors"] = ticked
    if not sent["chosen"]:
        raise Problem("invalid-input", "choose a code first: guess if you can’t tell")
    return read_as(TasterAnswer, given)
