"""The blind trial that all three protocols hold, and its caution. Invented."""

from seed_demo.drawing import Document
from seed_demo.tastings import METHOD, PLANNED


def tasting_step(pour_ml: int) -> str:
    """Say how to taste."""
    return (
        f"Have a helper pour {pour_ml} ml a glass by fresh random orders under codes: twelve triangles, no more than "
        "six a day; then four coded pairs each, for which is liked better and which words fit. Tasting is drinking: "
        "spit, drink water, don't drive, and leave it if you are pregnant, under age or unwell."
    )


def blind_trial(pour_ml: int) -> Document:
    """Write the trial of a protocol."""
    return {
        "method": METHOD,
        "control": "control",
        "treatment": "treatment",
        "presentations": PLANNED,
        "pour_ml": pour_ml,
    }
