import re
import unicodedata
from collections.abc import Callable

_LONGEST = 64
_ROOM_FOR_A_NUMBER = 4


def slug_of(title: str) -> str:
    """Make a name for addresses from a title: letters and digits of ASCII, words joined by hyphens."""
    ascii_only = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")
    return words[: _LONGEST - _ROOM_FOR_A_NUMBER].strip("-") or "question"


def free_slug(title: str, is_taken: Callable[[str], bool]) -> str:
    """Return the title's slug, numbered where others have it."""
    slug, number = slug_of(title), 1
    candidate = slug
    while is_taken(candidate):
        number += 1
        candidate = f"{slug}-{number}"
    return candidate
