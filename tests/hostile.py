"""The texts of hostile_texts.txt."""

from pathlib import Path

_FILE = Path(__file__).with_name("hostile_texts.txt")


def _unescaped(line: str) -> str:
    return line.encode("latin-1", "backslashreplace").decode("unicode_escape")


TEXTS = [
    _unescaped(line)
    for line in _FILE.read_text(encoding="utf-8").splitlines()
    if line.strip() and not line.startswith("#")
]


def is_refused(text: str) -> bool:
    """Whether the service refuses it by name: NUL, and half of a surrogate pair."""
    return "\x00" in text or any("\ud800" <= each <= "\udfff" for each in text)


TAKEN = [text for text in TEXTS if not is_refused(text)]
