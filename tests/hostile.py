"""What somebody may send to do harm: texts, request targets and header lines, each a list that anyone can add to."""

from pathlib import Path

_HERE = Path(__file__).parent


def _unescaped(line: str) -> str:
    return line.encode("latin-1", "backslashreplace").decode("unicode_escape")


def _listed(name: str) -> list[str]:
    return [
        _unescaped(line)
        for line in _HERE.joinpath(name).read_text(encoding="utf-8").splitlines()
        if line.strip() and not line.startswith("# ")
    ]


TEXTS = _listed("hostile_texts.txt")
TARGETS = _listed("hostile_targets.txt")
HEADERS = _listed("hostile_headers.txt")


def is_refused(text: str) -> bool:
    """Whether the service refuses it by name: NUL, and half of a surrogate pair."""
    return "\x00" in text or any("\ud800" <= each <= "\udfff" for each in text)


TAKEN = [text for text in TEXTS if not is_refused(text)]


def sent_as(text: str) -> bytes:
    """Write a line as its bytes; what Latin-1 can't write goes as UTF-8."""
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError:
        return text.encode()
