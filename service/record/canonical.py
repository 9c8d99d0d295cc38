"""The one byte form of a document (RFC 8785), and hashes of it."""

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import rfc8785
from pydantic_core import PydanticSerializationError, to_json

from service.record.errors import NotCanonical

_LARGEST = 2**53 - 1
_SAME = frozenset({str, bool, type(None)})


class Ordered(dict[str, Any]):
    """A JSON object in canonical order, by `ordered` or by hand: its bytes are written from it without another look."""


class _UnlikeError(Exception):
    """The value holds something that pydantic's encoder writes otherwise than RFC 8785, or not at all."""


def canonical_bytes(content: Mapping[str, Any]) -> bytes:
    """Return the RFC 8785 bytes of a JSON object.

    Parameters
    ----------
    content : mapping
        JSON values only: text, finite numbers, integers within 2**53, booleans, None, lists, mappings with text keys.

    Raises
    ------
    NotCanonical
        The content holds something that RFC 8785 has no form for.

    """
    try:
        return _written(content if type(content) is Ordered else dict(content))
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise NotCanonical(
            f"The document can't be written as canonical JSON ({error}): use text, booleans, finite numbers and "
            "integers up to 2**53."
        ) from error


def ordered(content: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return an equal object of which, and of what it is put into, `canonical_bytes` is quicker, where there is one."""
    try:
        return Ordered(_alike(dict(content)))
    except _UnlikeError:
        return content


def _written(content: dict[str, Any]) -> bytes:
    """Take pydantic's encoder, which is ten times as fast, wherever it writes the same bytes."""
    try:
        return to_json(_alike(content))
    except (_UnlikeError, PydanticSerializationError):
        return rfc8785.dumps(content)


def _alike(value: Any) -> Any:  # noqa: ANN401  # any JSON value
    """Return the value with its keys in order and its integral floats as integers; raise where encoders could differ.

    They agree on text, and on floats that both write without an exponent; ASCII keys have one order in every encoding.
    """
    kind = type(value)
    if kind in _SAME:
        return value
    if kind is float and (value == 0.0 or 1e-4 <= abs(value) <= _LARGEST):
        return int(value) if value.is_integer() else value
    if kind is int and -_LARGEST <= value <= _LARGEST:
        return value
    if kind is dict and _has_ascii_keys(value):
        return {key: each if type(each) in _SAME else _alike(each) for key, each in sorted(value.items())}
    if kind is Ordered:
        return value
    if kind is list or kind is tuple:
        return [each if type(each) in _SAME else _alike(each) for each in value]
    raise _UnlikeError


def _has_ascii_keys(value: dict[Any, Any]) -> bool:
    try:
        return "".join(value).isascii()
    except TypeError:
        return False


def fingerprint(content: Mapping[str, Any]) -> str:
    """Return the hex SHA-256 of the RFC 8785 bytes: equal for documents that are equal as JSON."""
    return hashlib.sha256(canonical_bytes(content)).hexdigest()


def rfc3339(moment: datetime) -> str:
    """Write an aware moment as RFC 3339, UTC, six digits of a second, `Z`: the form that leaves are hashed in."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
