"""What the invented community asks, and how each question is to be tried."""

from typing import Final

from seed_demo.drawing import Document
from seed_demo.questions import cider, mead, wash
from seed_demo.truth import CIDER, MEAD, WASH

QUESTIONS: Final[dict[str, Document]] = {
    WASH.slug: wash.QUESTION,
    MEAD.slug: mead.QUESTION,
    CIDER.slug: cider.QUESTION,
}
PROTOCOLS: Final[dict[str, Document]] = {
    WASH.slug: wash.PROTOCOL,
    MEAD.slug: mead.PROTOCOL,
    CIDER.slug: cider.PROTOCOL,
}
