"""The one byte form of a document (RFC 8785), and hashes of it."""

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import rfc8785

from service.record.errors import NotCanonical


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
        return rfc8785.dumps(dict(content))
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise NotCanonical(
            f"The document can't be written as canonical JSON ({error}): use text, booleans, finite numbers and "
            "integers up to 2**53."
        ) from error


def fingerprint(content: Mapping[str, Any]) -> str:
    """Return the hex SHA-256 of the RFC 8785 bytes: equal for documents that are equal as JSON."""
    return hashlib.sha256(canonical_bytes(content)).hexdigest()


def rfc3339(moment: datetime) -> str:
    """Write an aware moment as RFC 3339, UTC, six digits of a second, `Z`: the form that leaves are hashed in."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
