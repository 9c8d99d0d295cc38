"""Questions and replications of an invented community, as large as a size asks for."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np

Primary = Literal["perceivable_difference", "final_sg"]


def question(slug: str) -> dict[str, Any]:
    return {
        "slug": slug,
        "title": f"Does clearing a grain wash before the first run change the spirit ({slug})?",
        "factor": "clearing",
        "stage": "ferment",
        "arms": [
            {"key": "control", "label": "Left cloudy", "is_control": True},
            {"key": "treatment", "label": "Cleared for a week"},
        ],
    }


def protocol(primary: Primary) -> dict[str, Any]:
    outcomes = [
        {"outcome": "perceivable_difference", "smallest_difference_that_matters": 0.3},
        {"outcome": "final_sg", "smallest_difference_that_matters": 0.004},
    ]
    return {
        "summary": "Ferment one wash, part it, clear one half, run both alike.",
        "steps": ["Ferment.", "Part.", "Run."],
        "split_point": "ferment",
        "held_constant": [{"key": "pitch_c", "label": "Pitching temperature", "target": 24, "tolerance": 1}],
        "measurements": ["original_sg", "final_sg"],
        "outcomes": [{**each, "primary": each["outcome"] == primary} for each in outcomes],
        "trial": {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 12},
    }


def replications(slug: str, count: int, seed: int = 1) -> Iterator[dict[str, Any]]:
    """Draw documents that differ as households do: two batches, one trial, two conditions each."""
    draw = np.random.default_rng(seed)
    told_apart = 1 / 3 + 2 / 3 / (1 + np.exp(-draw.normal(-0.4, 0.8, count)))
    correct = draw.binomial(12, told_apart)
    gravity = 0.998 + draw.normal(0.0, 0.0015, (count, 2)) + [0.0, 0.002]
    pitched = draw.normal(24.0, 0.5, (count, 2))
    volume = draw.uniform(10.0, 40.0, count)
    still, yeast = draw.integers(0, 2, count), draw.integers(0, 3, count)
    for i in range(count):
        yield {
            "question": slug,
            "protocol_version": 1,
            "kitchen": f"shed {i}",
            "conditions": {"still": ("pot", "column")[still[i]], "yeast": ("dry", "wet", "bread")[yeast[i]]},
            "assignment": "drawn",
            "batches": [
                {
                    "arm": arm,
                    "batch": f"bucket {arm}",
                    "volume_l": round(float(volume[i]), 3),
                    "original_sg": 1.080,
                    "final_sg": round(float(gravity[i, place]), 5),
                    "pitch_c": round(float(pitched[i, place]), 2),
                    "days_to_finish": 9,
                    "reached_dryness": True,
                    "measured": {"ph_start": 5.2, "ph_end": 3.4},
                }
                for place, arm in enumerate(("control", "treatment"))
            ],
            "trials": [
                {
                    "method": "triangle",
                    "control": "control",
                    "treatment": "treatment",
                    "planned": 12,
                    "order_draw": "each_afresh",
                    "told_during": False,
                    "key_held_by": "helper",
                    "serving_c": 20,
                    "appearance_masked": True,
                    "assessors": [{"assessor": "p1", "presented": 12, "correct": int(correct[i])}],
                }
            ],
            "observer_knew_the_arms": False,
        }


def write_file(path: Path, documents: Iterator[dict[str, Any]]) -> None:
    """Write one document a line, as `manybatch load` takes them."""
    with path.open("w") as file:
        for each in documents:
            file.write(json.dumps(each) + "\n")
