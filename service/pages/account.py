"""One's own account: the household, the token, and the way out."""

from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.problems import Fault, Problem
from service.api.refusals import from_record
from service.api.security import hashed, new_secret
from service.api.storage import Stored
from service.intake.documents import HouseholdCall
from service.pages.forms import Form
from service.pages.layout import PRIVATE, page, see_other
from service.pages.posted import Signed
from service.pages.received import read_as
from service.pages.sessions import Present, Visitor, sign_in, sign_out
from service.pages.take_part import somebody
from service.record import contributors, erasure
from service.record.errors import RecordError

if TYPE_CHECKING:
    from service.record.database import Session

router = APIRouter(include_in_schema=False)

_HOME = "/take-part/account"
_SURE = "yes"


@router.get(_HOME)
async def home(request: Request, visitor: Present) -> Response:
    """Show what can be done with one's own account."""
    return _account(request, somebody(visitor), Form.over(HouseholdCall, {}))


def _account(request: Request, visitor: Visitor, form: Form) -> Response:
    shown: dict[str, Any] = {"visitor": visitor, "form": form}
    return page(request, "account.html", status=422 if form.wrong else 200, headers=PRIVATE, **shown)


@router.post(f"{_HOME}/join-code")
async def make_join_code(request: Request, storage: Stored, signed: Signed) -> Response:
    """Make a code by which others join the household, and show it this once."""
    visitor, _ = signed
    code = new_secret()

    def make(session: "Session") -> None:
        household = contributors.get(session, visitor.caller.id).household_id
        contributors.new_join_code(session, household, hashed(code))

    await storage.write(make)
    return page(request, "secret_once.html", headers=PRIVATE, kind="join code", secret=code, back=_HOME)


@router.post(f"{_HOME}/join")
async def join(request: Request, storage: Stored, signed: Signed) -> Response:
    """Join the household of a code."""
    visitor, fields = signed
    form = Form.over(HouseholdCall, {"join_code": fields.get("join_code", "")})

    def move(session: "Session") -> None:
        contributors.join_household(session, contributors.get(session, visitor.caller.id), hashed(code))

    try:
        code = read_as(HouseholdCall, form.document()).join_code or ""
        await storage.write(move)
    except (Problem, RecordError) as refused:
        problem = refused if isinstance(refused, Problem) else from_record(refused)
        form.refuse(problem.faults or [Fault(pointer="/join_code", detail=str(problem.detail))])
        return _account(request, visitor, form)
    return see_other(request, _HOME)


@router.post(f"{_HOME}/token")
async def replace_token(request: Request, storage: Stored, signed: Signed) -> Response:
    """Replace the token: the one before stops working everywhere at once."""
    visitor, _ = signed
    token = new_secret()

    def replace(session: "Session") -> None:
        contributors.set_token_hash(session, contributors.get(session, visitor.caller.id), hashed(token))

    await storage.write(replace)
    response = page(request, "secret_once.html", headers=PRIVATE, kind="token", secret=token, back=_HOME)
    sign_in(request, response, token)
    return response


@router.post(f"{_HOME}/erase")
async def erase(request: Request, storage: Stored, signed: Signed) -> Response:
    """Erase one's own name, token, documents and words for ever."""
    visitor, fields = signed
    if fields.get("sure") != _SURE:
        raise Problem("malformed-request", "nothing was erased: tick the box beside the button if you mean it")
    await storage.write(lambda session: erasure.erase(session, contributors.get(session, visitor.caller.id)).id)
    response = see_other(request, "/take-part")
    sign_out(request, response)
    return response
