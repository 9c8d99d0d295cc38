"""Does a mead that is fed in steps ferment further? Invented."""

from typing import Final

from seed_demo.drawing import Document
from seed_demo.questions.tasting import blind_trial, tasting_step
from seed_demo.truth import INVENTED, MEAD

SWEETENED_SG: Final = 1.025
NUTRIENT_G_PER_L: Final = 0.9

_POUR_ML: Final = 8

QUESTION: Final[Document] = {
    "slug": MEAD.slug,
    "title": "Does a mead that is fed in steps ferment further?",
    "background": (
        f"{INVENTED} The claim: honey must is poor in what yeast lives on, and nutrient given in steps over the first "
        "days takes the ferment further than the same nutrient given at once. Some say that it also tastes cleaner; "
        "sweetness would give that away, so that both are brought to one gravity before tasting."
    ),
    "factor": "whether the nutrient is given at once or in four steps",
    "stage": "ferment",
    "arms": [
        {
            "key": "control",
            "label": "Fed at once",
            "is_control": True,
            "description": "All the nutrient at pitching.",
        },
        {
            "key": "treatment",
            "label": "Fed in four steps",
            "is_control": False,
            "description": "The same nutrient in four equal parts, at pitching and on each of the next three days.",
        },
    ],
}

PROTOCOL: Final[Document] = {
    "summary": (
        f"{INVENTED} One must of one honey is stirred, read and parted into two vessels with the same yeast. One gets "
        "its nutrient at once, the other in four steps. Both are read until they are finished, sweetened to one "
        "gravity and tasted blind."
    ),
    "steps": [
        "Dissolve one honey in warm, not boiling, water to about 1.100: hot must sticks to the skin and burns. Read it "
        "once, part it into two equal vessels and draw lots for the arms. Register before pitching.",
        "Pitch the same weight of the same yeast into both, at 19 degC.",
        "Weigh 0.9 g of nutrient for each litre. Give the control all of it at pitching, the other a quarter then and "
        "a quarter after 24, 48 and 72 h. Stir the gas out gently before each part: nutrient poured into a gassy must "
        "foams over.",
        "Stir both vessels at the same hours, fed or not. Give the gas a way out and air the room.",
        "Read until two degassed readings 48 h apart agree: that is the final gravity. Nobody who reads should know "
        "which vessel is which.",
        f"Before tasting, sweeten both with the same honey to {SWEETENED_SG:.3f}, within 0.001, keep them cold and "
        "taste within two days. Never seal them: they may ferment again, and sealed vessels burst.",
        tasting_step(_POUR_ML),
    ],
    "split_point": "must",
    "held_constant": [
        {"key": "pitch_c", "label": "Temperature at pitching", "unit": "degC", "target": 19, "tolerance": 2},
        {"key": "original_sg", "label": "Original gravity of both arms", "tolerance": 0.002},
        {
            "key": "nutrient_g_per_l",
            "label": "Nutrient in all",
            "unit": "g/L",
            "target": NUTRIENT_G_PER_L,
            "tolerance": 0.05,
        },
        {"key": "tasting_sg", "label": "Gravity when tasted", "target": SWEETENED_SG, "tolerance": 0.001},
    ],
    "measurements": ["original_sg", "final_sg", "days_to_finish", "ph_end", "measured.tasting_sg"],
    "outcomes": [
        {
            "outcome": MEAD.primary_outcome,
            "primary": True,
            "smallest_difference_that_matters": MEAD.smallest_that_matters,
        },
        {"outcome": "perceivable_difference", "primary": False, "smallest_difference_that_matters": 0.3},
        {"outcome": "days_to_finish", "primary": False},
        {"outcome": "descriptors", "primary": False},
    ],
    "trial": blind_trial(_POUR_ML),
    "descriptors": list(MEAD.words),
}
