"""Every way of saying no, in one table; each answer is an RFC 9457 problem document.

Problem                 raised anywhere in the doors
  kind: ProblemType     a row of PROBLEMS
  faults: [Fault]       for bad input, where and what to mend
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import to_json
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.api.conditional import PRIVATE

MEDIA_TYPE = "application/problem+json"
SOON = {"Retry-After": "2"}
_LONGEST_NAME = 80
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@dataclass(frozen=True, slots=True)
class ProblemType:
    """One stable type of problem: its slug under /problems/, status, title, and what to do about it."""

    slug: str
    status: int
    title: str
    explanation: str

    @property
    def path(self) -> str:
        """The document's `type`."""
        return f"/problems/{self.slug}"


def _table(*rows: ProblemType) -> Mapping[str, ProblemType]:
    return {row.slug: row for row in rows}


PROBLEMS = _table(
    ProblemType(
        "malformed-json",
        400,
        "The body is not JSON",
        "Send one JSON value in UTF-8, without NaN or Infinity, without a key given twice in one object, and nested "
        "no deeper than a hand could write. `detail` says what could not be read.",
    ),
    ProblemType(
        "malformed-request",
        400,
        "The request could not be read",
        "A header, cursor or parameter is not of its form. Cursors come from the `next` link of a list; don't make "
        "them.",
    ),
    ProblemType(
        "not-signed-in",
        401,
        "A token is needed",
        "Send `Authorization: Bearer TOKEN` with the token shown once when the contributor was made.",
    ),
    ProblemType(
        "not-yours",
        403,
        "This belongs to someone else",
        "Only its owner, or where said a steward, may do this. Use that person's token.",
    ),
    ProblemType(
        "not-found",
        404,
        "Nothing is here",
        "The address names nothing that exists, or nothing that you may know of. Check its spelling.",
    ),
    ProblemType(
        "method-not-allowed", 405, "This address does not take that method", "`Allow` lists the methods it takes."
    ),
    ProblemType(
        "not-acceptable",
        406,
        "None of the accepted media types is served here",
        "Accept `application/json` (or the media type that the address is named for), or leave `Accept` out.",
    ),
    ProblemType(
        "body-too-slow",
        408,
        "The body came too slowly",
        "Nothing was done. Send it again over a better line: a body has some seconds to come, and a second more for "
        "each 16 KiB of it.",
    ),
    ProblemType(
        "conflict",
        409,
        "The state of things forbids this",
        "What you ask doesn't fit the present state: read it again, then decide. `detail` names the rule.",
    ),
    ProblemType(
        "request-in-flight",
        409,
        "The same request is still under way",
        "Another request with this Idempotency-Key has not finished. Wait a few seconds and send it again.",
    ),
    ProblemType(
        "plan-is-fixed",
        409,
        "A registered plan does not change",
        "The plan was stamped before tasting and stays as it was. Withdraw and start anew, or report what happened as "
        "a deviation.",
    ),
    ProblemType(
        "trial-open",
        409,
        "One of its sealed trials is still open",
        "All trials opened for a replication belong to its submission. Let the tasters finish, or close the trial: "
        "sets answered so far count.",
    ),
    ProblemType(
        "trial-ended",
        409,
        "This trial has ended",
        "Its key is open, so it takes no more answers. What was answered before stands.",
    ),
    ProblemType(
        "out-of-turn",
        409,
        "This is not the set to answer now",
        "Sets are answered one at a time and in order. Get the taster's link again, and answer what it shows.",
    ),
    ProblemType(
        "answer-is-final",
        409,
        "This set has another answer",
        "An answer stands once it is given: it can't be changed or taken back. Go on to the next set.",
    ),
    ProblemType(
        "gone",
        410,
        "This was here once",
        "It was erased at its owner's request, or belongs to a method version that is no longer shipped.",
    ),
    ProblemType(
        "stale-revision",
        412,
        "It has changed since you read it",
        'Read it again, make your change on the new revision, and send `If-Match` with that revision, such as `"r3"`.',
    ),
    ProblemType(
        "body-too-large", 413, "The body is too large", "Send less; `detail` states the limit of this address in bytes."
    ),
    ProblemType(
        "not-json", 415, "The body must be JSON", "Send `Content-Type: application/json` and a JSON body in UTF-8."
    ),
    ProblemType(
        "invalid-input",
        422,
        "Some of the input cannot be taken",
        "`errors` lists every fault found, each with a pointer to the place and what to mend. Nothing was kept.",
    ),
    ProblemType(
        "code-not-served",
        422,
        "There is no such glass to choose",
        "Answer with the codes on the glasses of the present set; the reference of a duo-trio isn't chosen.",
    ),
    ProblemType(
        "idempotency-key-reused",
        422,
        "This Idempotency-Key was used for another request",
        "A key stands for one request and its body. Use a fresh key for a new request.",
    ),
    ProblemType(
        "if-match-needed",
        428,
        "Say which revision you are changing",
        'Send `If-Match` with the revision you read, such as `If-Match: "r3"`.',
    ),
    ProblemType(
        "too-many-requests", 429, "Too many requests", "Wait as many seconds as `Retry-After` says, then go on slower."
    ),
    ProblemType(
        "internal-error",
        500,
        "Something broke here",
        "This is our fault, not yours. Nothing was kept. Quote the request's `X-Request-ID` when you report it.",
    ),
    ProblemType(
        "unavailable",
        503,
        "The record cannot be reached just now",
        "Nothing was kept. Send the same request again after `Retry-After` seconds; with an Idempotency-Key it is "
        "safe.",
    ),
    ProblemType(
        "no-sealing-key",
        503,
        "No trial can be sealed or unsealed here",
        "The host has set no key to seal trials under, or not the one that this trial was sealed under. Nothing was "
        "kept. Ask the host to set it (MANYBATCH_SEALING_KEY), then send the same request again.",
    ),
)


class Fault(BaseModel):
    """One thing to mend."""

    model_config = ConfigDict(extra="forbid")
    pointer: str = Field(
        description="Where: a JSON Pointer (RFC 6901) into the body, `query/NAME`, `header/NAME`, or `part/NAME` of a "
        "service that isn't ready."
    )
    detail: str = Field(description="What to mend.")


class ProblemDocument(BaseModel):
    """Why a request was not done, and what to do about it (RFC 9457)."""

    model_config = ConfigDict(extra="forbid")
    type: str = Field(description="A stable address under `/problems/` that explains this kind of problem.")
    title: str
    status: int
    detail: str
    instance: str = Field(description="The request, by its id.")
    errors: list[Fault] | None = Field(
        default=None, description="For bad input, and a service that isn't ready: every fault found."
    )


class Problem(HTTPException):
    """Raised in the doors to answer with a problem document."""

    def __init__(
        self,
        slug: str,
        detail: str | None = None,
        *,
        faults: Iterable[Fault] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        self.kind = PROBLEMS[slug]
        self.faults: Sequence[Fault] = tuple(faults)
        super().__init__(self.kind.status, detail or self.kind.explanation, dict(headers) if headers else None)

    def response(self, request_id: str) -> Response:
        """Render the document."""
        body: dict[str, Any] = {
            "type": self.kind.path,
            "title": self.kind.title,
            "status": self.status_code,
            "detail": self.detail,
            "instance": f"urn:{'uuid' if _UUID.fullmatch(request_id) else 'request'}:{request_id}",
        }
        if self.faults:
            body["errors"] = [fault.model_dump() for fault in self.faults]
        # What is refused to one caller may be answered to the next, or in a moment: nobody keeps it.
        headers = {"Cache-Control": PRIVATE, **(self.headers or {})}
        return Response(to_json(body), self.status_code, headers, MEDIA_TYPE)


def pointer(*steps: str | int) -> str:
    """Spell a JSON Pointer (RFC 6901)."""
    return "".join(f"/{_printable(step).replace('~', '~0').replace('/', '~1')}" for step in steps)


def _printable(name: str | int) -> str:
    """Shorten a name that the caller made up, and leave out what no text can carry."""
    text = str(name).encode(errors="replace").decode()
    return text if len(text) <= _LONGEST_NAME else f"{text[:_LONGEST_NAME]}…"


def from_status(status: int, detail: str | None = None, headers: Mapping[str, str] | None = None) -> Problem:
    """Turn the framework's own refusals (an unknown path, a wrong method) into ours."""
    slug = next((row.slug for row in PROBLEMS.values() if row.status == status), None)
    if slug is None:
        slug = "malformed-request" if 400 <= status < 500 else "internal-error"
    return Problem(slug, detail, headers=headers)


def from_validation(errors: Sequence[Mapping[str, Any]]) -> Problem:
    """Turn pydantic's error list into faults that name the place and the mend, without echoing the input."""
    if any(error["loc"][:1] == ("path",) for error in errors):
        return Problem("not-found")
    faults = list({(fault.pointer, fault.detail): fault for fault in map(_fault, errors[:100])}.values())
    first = faults[0]
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return Problem("invalid-input", f"{first.pointer or 'the body'}: {first.detail}{more}", faults=faults)


_MENDS = {
    "extra_forbidden": "this field is not known here; remove it or check its spelling",
    "missing": "this field is needed",
    "finite_number": "write a finite number",
    "float_type": "write a number",
    "int_type": "write a whole number",
    "bool_type": "write true or false",
    "string_type": "write text",
    "list_type": "write a list",
    "dict_type": "write an object",
    "model_attributes_type": "write an object",
    "model_type": "write an object",
}


def _fault(error: Mapping[str, Any]) -> Fault:
    where, *steps = error["loc"] or ("body",)
    named = _MENDS.get(error["type"])
    message = named or error["msg"].removeprefix("Value error, ")
    detail = message[:1].lower() + message[1:]
    if where == "body":
        return Fault(pointer=pointer(*(step for step in steps if not _is_schema_step(step))), detail=detail)
    return Fault(pointer="/".join([str(where), *map(_printable, steps[:1])]), detail=detail)


def _is_schema_step(step: str | int) -> bool:
    """Pydantic puts the name of a union's member into the location; it is no part of the document."""
    return isinstance(step, str) and (
        "[" in step or step in {"float", "int", "str", "bool", "none", "date", "datetime"}
    )
