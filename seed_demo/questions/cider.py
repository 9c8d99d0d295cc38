"""Does a cider that is left open in its first days end elsewhere? Invented."""

from typing import Final

from seed_demo.drawing import Document
from seed_demo.questions.tasting import blind_trial, tasting_step
from seed_demo.truth import CIDER, INVENTED

_POUR_ML: Final = 12

QUESTION: Final[Document] = {
    "slug": CIDER.slug,
    "title": "Does a cider whose lid is off in its first days end at another gravity?",
    "background": (
        f"{INVENTED} The claim: air in the first days makes the yeast stronger, and the cider ends drier. The "
        "worry: air also lets vinegar in. Nobody in this community had set the two side by side."
    ),
    "factor": "whether the lid is off on days 1 to 3",
    "stage": "ferment",
    "arms": [
        {
            "key": "control",
            "label": "Lid on",
            "is_control": True,
            "description": "Closed with a way out for the gas from pitching on.",
        },
        {
            "key": "treatment",
            "label": "Lid off, days 1 to 3",
            "is_control": False,
            "description": "Covered with a clean cloth only on days 1 to 3, then closed like the other.",
        },
    ],
}

PROTOCOL: Final[Document] = {
    "summary": (
        f"{INVENTED} One lot of juice is stirred, read and parted into two vessels with the same yeast. One is closed "
        "from the start, the other stands under a cloth on days 1 to 3. Both are read until they are finished, bottled "
        "on one day and tasted blind."
    ),
    "steps": [
        "Stir one lot of juice, read it once, part it into two equal vessels and draw lots for the arms. Register "
        "before pitching.",
        "Pitch the same weight of the same yeast into both, at 17 degC, and stand them side by side.",
        "On days 1 to 3 the open one is covered with a clean cloth; the other keeps its lid. A ferment fills a small "
        "room with gas that cannot be breathed: air the room, above all a cellar.",
        "Read until two degassed readings 48 h apart agree: that is the final gravity. Nobody who reads should know "
        "which vessel is which.",
        "Bottle both still, on one day, and only once both are finished: a bottle that ferments on bursts. Don't drink "
        "what smells of solvent or has grown mould.",
        tasting_step(_POUR_ML),
    ],
    "split_point": "must",
    "held_constant": [
        {"key": "pitch_c", "label": "Temperature at pitching", "unit": "degC", "target": 17, "tolerance": 2},
        {"key": "original_sg", "label": "Original gravity of both arms", "tolerance": 0.002},
        {"key": "bottle_age_days", "label": "Age of the bottles", "unit": "days", "tolerance": 2},
    ],
    "measurements": ["original_sg", "final_sg", "days_to_finish", "ph_end", "package.bottle_age_days"],
    "outcomes": [
        {
            "outcome": CIDER.primary_outcome,
            "primary": True,
            "smallest_difference_that_matters": CIDER.smallest_that_matters,
        },
        {"outcome": "perceivable_difference", "primary": False, "smallest_difference_that_matters": 0.3},
        {"outcome": "reached_dryness", "primary": False},
        {"outcome": "descriptors", "primary": False},
    ],
    "trial": blind_trial(_POUR_ML),
    "descriptors": list(CIDER.words),
}
