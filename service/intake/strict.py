"""The one base for everything that comes in, and the few types it is built from."""

import re
from datetime import date, datetime
from typing import Annotated, Any
from uuid import UUID

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
)


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


def _in_our_time(moment: datetime) -> datetime:
    """Refuse instants so far off that turning them to UTC could leave the calendar."""
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise ValueError(f"the year must be {_FIRST_YEAR} to {_LAST_YEAR}")
    return moment


def _day_in_our_time(day: date) -> date:
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise ValueError(f"the year must be {_FIRST_YEAR} to {_LAST_YEAR}")
    return day


def _day_or_moment(value: object) -> object:
    """Read text as a full-date or a date-time, so that a fault is one sentence and not one per reading."""
    if isinstance(value, date):
        return value
    refusal = ValueError("write a day such as 2026-05-01, or a moment with its offset")
    if not isinstance(value, str):
        raise refusal
    try:
        return date.fromisoformat(value) if _DAY.fullmatch(value) else _MOMENT.validate_python(value)
    except ValueError:
        raise refusal from None


_FIRST_YEAR, _LAST_YEAR = 1900, 2200
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
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

Label = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80, strip_whitespace=True),
    AfterValidator(_clean),
    Field(json_schema_extra=_NO_NUL),
]
"""A short name as people write it, 1 to 80 characters."""

Prose = Annotated[str, StringConstraints(max_length=10_000), AfterValidator(_clean), Field(json_schema_extra=_NO_NUL)]
"""Free text, up to 10 000 characters."""

Moment = Annotated[AwareDatetime, BeforeValidator(_from_text), AfterValidator(_in_our_time), Field(strict=False)]
"""An instant with its offset, RFC 3339."""

Day = Annotated[date, BeforeValidator(_from_text), AfterValidator(_day_in_our_time), Field(strict=False)]
"""A calendar day, RFC 3339 full-date."""

_MOMENT: TypeAdapter[datetime] = TypeAdapter(Annotated[AwareDatetime, Field(strict=False)])

DayOrMoment = Annotated[
    Annotated[AwareDatetime, AfterValidator(_in_our_time)] | Annotated[date, AfterValidator(_day_in_our_time)],
    Field(union_mode="left_to_right"),
    BeforeValidator(_day_or_moment),
]
"""A calendar day, or an instant with its offset where the hour matters."""

Count = Annotated[int, Field(ge=0, le=1_000_000)]
"""A count of things, 0 to a million."""

Identifier = Annotated[UUID, BeforeValidator(_from_text), Field(strict=False)]


def plain(model: BaseModel) -> dict[str, Any]:
    """Return what was given, and nothing that was merely defaulted, as JSON-ready values."""
    return model.model_dump(mode="json", exclude_unset=True)
