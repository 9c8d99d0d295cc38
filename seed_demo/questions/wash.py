"""Does clearing a grain wash before the strip run change what is tasted? Invented."""

from typing import Final

from seed_demo.drawing import Document
from seed_demo.questions.tasting import blind_trial, tasting_step
from seed_demo.truth import INVENTED, TASTING_ABV_PERCENT, WASH

_POUR_ML: Final = 5

QUESTION: Final[Document] = {
    "slug": WASH.slug,
    "title": "Does clearing a grain wash before the strip run change what is tasted?",
    "background": (
        f"{INVENTED} The claim: yeast and grain that go into the still with the wash are heated with it and leave "
        "something in the spirit, so that a wash should stand until it is clear. Others say that it makes no "
        "difference once the spirit is diluted. Distilling at home is unlawful in many places: this question is only "
        "for where it is lawful, with the licence that the place asks for."
    ),
    "factor": "whether the wash is cleared by standing cold before the strip run",
    "stage": "distil",
    "arms": [
        {
            "key": "control",
            "label": "Run cloudy",
            "is_control": True,
            "description": "Stands as long as the other half, and is stirred up again before the run.",
        },
        {
            "key": "treatment",
            "label": "Cleared first",
            "is_control": False,
            "description": "Stands cold for a week, and is drawn off what has settled.",
        },
    ],
}

PROTOCOL: Final[Document] = {
    "summary": (
        f"{INVENTED} One grain wash is fermented out and then parted. One half is stirred up and run cloudy, the other "
        "is cleared by a week in the cold. Both are stripped alike, brought to 20 % vol and tasted blind."
    ),
    "steps": [
        "First see that distilling is lawful where you are, with the licence, the vented still and the fire safety "
        "that the law and local codes ask for. If it is not, take another question.",
        "Mash the grain and ferment one wash at 28 degC. Hot mash and hot water burn: move them in small lots, with "
        "gloves, and keep children away.",
        "When two readings 48 h apart agree, part the wash into vessels of one size. Draw lots for which is cleared.",
        "Stand every vessel in the cold for a week. Draw the cleared half off its sediment; stir the other up again.",
        "Strip each half with the same heat, taking the same share of the charge as first runnings (1 %), middle "
        "(12 %) and last runnings (10 %), by volume. Clean the still between runs. Alcohol vapour ignites: no flame, "
        "no spark, good air, a still that is open at its outlet and never left alone; hot wash scalds.",
        "Set the first runnings aside: they are not for drinking. Methanol depends on what was fermented, and taste "
        "cannot judge it; follow licensed practice.",
        "Bring the middle of each half to 20 % vol at 20 degC, within 0.3 % vol. Strong spirit burns and is not for "
        "drinking. Rest both equally long, two days or more, and register before the first glass.",
        tasting_step(_POUR_ML),
        "Where there is wash enough, fill a third vessel with uncleared wash, run it like the others, and hold twelve "
        "triangles of the two uncleared ones: a sham trial, which shows what two runs differ by anyway.",
    ],
    "split_point": "spirit",
    "held_constant": [
        {"key": "pitch_c", "label": "Temperature at pitching", "unit": "degC", "target": 28, "tolerance": 3},
        {"key": "heat_w", "label": "Heat under the still", "unit": "W", "tolerance": 50},
        {"key": "cut_rule", "label": "What the cuts go by", "target": "volume"},
        {"key": "tasting_sample_c", "label": "Temperature in the glass", "unit": "degC", "target": 20, "tolerance": 2},
    ],
    "measurements": [
        "original_sg",
        "final_sg",
        "ph_end",
        "spirit.charge_abv_percent",
        "spirit.fractions",
        "spirit.tasting_abv_percent",
    ],
    "outcomes": [
        {
            "outcome": WASH.primary_outcome,
            "primary": True,
            "smallest_difference_that_matters": WASH.smallest_that_matters,
        },
        {"outcome": "final_sg", "primary": False, "smallest_difference_that_matters": 0.003},
        {"outcome": "preference", "primary": False},
        {"outcome": "descriptors", "primary": False},
    ],
    "trial": {
        **blind_trial(_POUR_ML),
        "tasting_abv_percent": TASTING_ABV_PERCENT.mean,
        "tasting_abv_tolerance_percent": 0.3,
    },
    "descriptors": list(WASH.words),
}
