"""The key of a sealed trial as one document: who gets which batch under which code, and which answers are right."""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from service.science.serving import Glass, Presentation, ServingPlan

Key = Mapping[str, Any]


def key_of(trial_id: UUID, seed: bytes, plan: ServingPlan, assessors: Sequence[str]) -> dict[str, Any]:
    """Write a drawn plan down as the document that is committed to, sealed, and shown at the end.

    It says which answers are right, so that an old key is read without drawing it again; and it has the seed, so that
    anybody can draw it again.
    """
    return {
        "trial": str(trial_id),
        "seed": seed.hex(),
        "method": plan.method,
        "control": plan.arms[0],
        "treatment": plan.arms[1],
        "order_draw": plan.order_draw,
        "presentations": [
            {
                "taster": assessor,
                "presentation": each.number,
                "order": each.order,
                "glasses": [
                    {"code": glass.code, "arm": glass.arm, "letter": glass.letter, "reference": glass.is_reference}
                    for glass in each.glasses
                ],
                "right": [list(choice) for choice in each.right_choices],
            }
            for assessor, sheet in zip(assessors, plan.tasters, strict=True)
            for each in sheet.presentations
        ],
    }


def sheet_of(key: Key, assessor: str) -> dict[int, Presentation]:
    """Read one taster's sets from a key, by number."""
    return {each["presentation"]: _presentation(each) for each in key["presentations"] if each["taster"] == assessor}


def _presentation(written: Mapping[str, Any]) -> Presentation:
    glasses = tuple(
        Glass(code=each["code"], arm=each["arm"], letter=each["letter"], is_reference=each["reference"])
        for each in written["glasses"]
    )
    right = tuple(tuple(choice) for choice in written["right"])
    return Presentation(written["presentation"], written["order"], glasses, right)
