"""The one base for everything that comes in, and the few types it is built from."""

from datetime import date, datetime
from typing import Annotated, Any
from uuid import UUID

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints


class Strict(BaseModel):
    """An input: unknown fields, NaN, infinities and look-alike types are refused by name."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True, hide_input_in_errors=True)


def _clean(text: str) -> str:
    if "\x00" in text:
        raise ValueError("text must not contain the NUL character; remove it")
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ValueError("text contains half of a surrogate pair; send valid Unicode") from None
    return text


def _from_text(value: object) -> object:
    """Let only text through to a parser that would also take numbers for seconds."""
    if isinstance(value, (str, date, datetime, UUID)):
        return value
    raise ValueError("write this as text")


_NO_NUL = {"pattern": "^[^\\u0000]*$"}

Key = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$"), AfterValidator(_clean)]
"""A short name used to refer to something: lower case, digits, `_` and `-`, at most 64 characters."""

Line = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200, strip_whitespace=True),
    AfterValidator(_clean),
    Field(json_schema_extra=_NO_NUL),
]
"""One line of text, 1 to 200 characters."""

Prose = Annotated[str, StringConstraints(max_length=10_000), AfterValidator(_clean), Field(json_schema_extra=_NO_NUL)]
"""Free text, up to 10 000 characters."""

Moment = Annotated[AwareDatetime, BeforeValidator(_from_text), Field(strict=False)]
"""An instant with its offset, RFC 3339."""

Day = Annotated[date, BeforeValidator(_from_text), Field(strict=False)]
"""A calendar day, RFC 3339 full-date."""

Count = Annotated[int, Field(ge=0, le=1_000_000)]
"""A count of things, 0 to a million."""

Identifier = Annotated[UUID, BeforeValidator(_from_text), Field(strict=False)]


def plain(model: BaseModel) -> dict[str, Any]:
    """Return what was given, and nothing that was merely defaulted, as JSON-ready values."""
    return model.model_dump(mode="json", exclude_unset=True)
