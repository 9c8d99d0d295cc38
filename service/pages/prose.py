"""Sentences of the inner rooms, as they are set on a page."""

import re
from functools import cache

from pydantic import BaseModel

from service.intake.documents import (
    PERCEIVABLE_DIFFERENCE,
    BatchDocument,
    Package,
    ReplicationDocument,
    Spirit,
    TrialDocument,
)
from service.pages.fields import LABELS, labelled
from service.pages.figures import MINUS

_MODELS: tuple[type[BaseModel], ...] = (ReplicationDocument, BatchDocument, Spirit, Package, TrialDocument)
_KEPT_TOGETHER = re.compile(r"(?<=\d) (?=\d{3}\b|°[CFP]|%)")
_NAME = re.compile(r"\b(?:(?:spirit|package|measured)\.([a-z0-9_]+)|(?:[a-z]+\.)?([a-z0-9]+(?:_[a-z0-9]+)+))\b")
_APOSTROPHE = re.compile(r"(?<=\w)'")
_MINUS = re.compile(r"(?<![\w.–-])-(?=\d)")
_DEGREES = re.compile(r"\bdeg([CF])\b")
_NO_BREAK = "\u00a0"


@cache
def _fields() -> frozenset[str]:
    return frozenset([*LABELS, *(name for model in _MODELS for name in model.model_fields)])


def prose(text: str) -> str:
    """Keep a number's thousands and unit together; write units, minuses, apostrophes and fields' names as people do."""
    text = _MINUS.sub(MINUS, _APOSTROPHE.sub("’", text))
    return _KEPT_TOGETHER.sub(_NO_BREAK, _NAME.sub(_named, _DEGREES.sub(r"°\1", text)))


def _named(found: re.Match[str]) -> str:
    name = found[1] or found[2]
    if name == PERCEIVABLE_DIFFERENCE:
        return name.replace("_", " ")
    return labelled(name) if name in _fields() else found[0]
