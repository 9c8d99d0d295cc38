"""How a page reads what a form sent: small, as text, from a page of ours."""

from typing import Annotated
from urllib.parse import parse_qsl

from fastapi import Depends, Request
from starlette.datastructures import UploadFile

from service.api.problems import Problem
from service.pages.sessions import Visitor, refuse_other_origins, refuse_without_mark, visitor_of

_MOST_FIELDS = 3000
_LONGEST_KEY = 64
_URLENCODED = "application/x-www-form-urlencoded"
_MULTIPART = "multipart/form-data"

Sent = dict[str, str]


async def sent(request: Request) -> Sent:
    """Read a form's fields; a file counts as the text in it."""
    refuse_other_origins(request)
    return dict(await pairs(request))


async def pairs(request: Request) -> list[tuple[str, str]]:
    """Read a form's fields in order; a box that can be ticked several times comes several times."""
    media = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    body = await request.body()
    if media == _MULTIPART:
        return list((await _parts(request)).items())
    if media != _URLENCODED:
        raise Problem("malformed-request", "send this from the form on its page")
    try:
        return parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict")
    except ValueError:
        raise Problem("malformed-request", "the form could not be read") from None


async def _parts(request: Request) -> Sent:
    fields: Sent = {}
    async with request.form(max_files=1, max_fields=20) as form:
        for name, value in form.multi_items():
            if not isinstance(value, UploadFile):
                fields[name] = value
                continue
            try:
                text = (await value.read()).decode("utf-8-sig")
            except UnicodeDecodeError:
                raise Problem("malformed-json", "the file is not text in UTF-8") from None
            if text:
                fields[name] = text
    return fields


Form = Annotated[Sent, Depends(sent)]


async def signed_in_form(request: Request, fields: Form) -> tuple[Visitor, Sent]:
    """Read a form that writes: somebody is signed in, and it carries their mark."""
    visitor = await visitor_of(request)
    if visitor is None:
        raise Problem("not-signed-in", "sign in first; what you filled in is still in the page before this one")
    refuse_without_mark(visitor, fields.pop("mark", ""))
    return visitor, fields


Signed = Annotated[tuple[Visitor, Sent], Depends(signed_in_form)]


def key_of(fields: Sent) -> str:
    """Find the key by which a form's write is done once, however often it is sent."""
    key = fields.get("key", "")
    if not key.isascii() or not key.isprintable() or not 1 <= len(key) <= _LONGEST_KEY:
        raise Problem("malformed-request", "this form is incomplete; open its page again and send it from there")
    return key
