"""Small documents that other tests of this room build on. Invented."""

import copy
import uuid
from typing import Any

from service.intake.trial_documents import SealedTrialDocument

_QUESTION: dict[str, Any] = {
    "slug": "clear-before-strip",
    "title": "Does clearing a grain wash before the first run change the spirit?",
    "background": "Invented for tests.",
    "factor": "clearing",
    "stage": "ferment",
    "arms": [
        {"key": "control", "label": "Left cloudy", "is_control": True, "description": ""},
        {"key": "treatment", "label": "Cleared for a week", "is_control": False, "description": ""},
        {"key": "fined", "label": "Fined with clay"},
    ],
}

_PROTOCOL: dict[str, Any] = {
    "summary": "Ferment one wash, part it, clear one half, run both alike.",
    "steps": ["Ferment.", "Part.", "Run."],
    "split_point": "ferment",
    "held_constant": [
        {"key": "pitch_c", "label": "Pitching temperature", "unit": "degC", "target": 24, "tolerance": 1},
        {"key": "ph_start", "unit": "pH", "target": 5.2, "tolerance": 0.2},
    ],
    "measurements": ["original_sg", "final_sg"],
    "outcomes": [
        {"outcome": "perceivable_difference", "primary": True, "smallest_difference_that_matters": 0.3},
        {"outcome": "final_sg", "smallest_difference_that_matters": 0.004},
    ],
    "trial": {
        "method": "triangle",
        "control": "control",
        "treatment": "treatment",
        "presentations": 12,
        "pour_ml": 15,
        "tasting_abv_percent": 20.0,
        "tasting_abv_tolerance_percent": 0.3,
    },
    "descriptors": ["grainy"],
}

_BATCH: dict[str, Any] = {
    "arm": "control",
    "batch": "bucket 1",
    "volume_l": 20,
    "pitched_at": "2026-05-01T08:00:00Z",
    "original_sg": 1.080,
    "final_sg": 0.998,
    "pitch_c": 24,
    "days_to_finish": 9,
    "reached_dryness": True,
    "measured": {"ph_start": 5.2, "ph_end": 3.4},
    "spirit": {
        "charge_l": 18,
        "charge_abv_percent": 10.4,
        "run_order": 1,
        "cleaned_between": True,
        "cut_rule": "volume",
        "fractions": [
            {"name": "heads", "volume_l": 0.2, "abv_percent": 75},
            {"name": "hearts", "volume_l": 1.6, "abv_percent": 65},
        ],
        "tasting_abv_percent": 20.0,
        "tasting_sample_c": 20,
        "rest_h": 48,
    },
}

_TRIAL: dict[str, Any] = {
    "method": "triangle",
    "control": "control",
    "treatment": "treatment",
    "tasted_on": "2026-06-01",
    "planned": 12,
    "order_draw": "each_afresh",
    "told_during": False,
    "key_held_by": "helper",
    "serving_c": 20,
    "appearance_masked": True,
    "assessors": [{"assessor": "p1", "presented": 12, "correct": 8}],
}


def question(**changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(_QUESTION), **changes}


def protocol(**changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(_PROTOCOL), **changes}


def batch(arm: str = "control", **changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(_BATCH), "arm": arm, "batch": f"bucket {arm}", **changes}


def trial(**changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(_TRIAL), **changes}


def sealed_trial(**changes: Any) -> SealedTrialDocument:
    """A sealed trial as it comes back when it has ended as planned, with nothing amiss."""
    ended = {
        **copy.deepcopy(_TRIAL),
        "id": uuid.UUID(int=7),
        "number": 1,
        "ended_by": "tasters",
        "pour_sheet_openings": 0,
        "answered_before_pouring": 0,
        **changes,
    }
    return SealedTrialDocument.model_validate(ended)


def replication(**changes: Any) -> dict[str, Any]:
    """A submission without a fault: everything recorded, everything matched."""
    return {
        "question": "clear-before-strip",
        "protocol_version": 1,
        "state": "submitted",
        "kitchen": "a shed",
        "conditions": {"still": "pot", "plates": 0},
        "assignment": "drawn",
        "batches": [batch("control"), batch("treatment")],
        "trials": [trial()],
        "observer_knew_the_arms": False,
        **changes,
    }
