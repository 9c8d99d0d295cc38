"""What can hurt at a step, said where the step is; each defers to local law and licensed practice."""

from collections.abc import Sequence
from typing import Any

import numpy as np

HOT_C = 50.0

HOT = (
    "Above 50 °C liquid scalds in a moment: cover hands and eyes, pour slowly and away from you, keep children out, "
    "and never pour it into glass."
)
HEATED_VAPOUR = (
    "Heating or distilling anything with alcohol in it gives off vapour that burns and explodes, even a wash of 10 % "
    "vol: no flame or spark near it, plenty of fresh air, never leave it alone, never close the vessel."
)
SPIRIT_BURNS = "Strong spirit and its vapour catch fire: no flame, spark or hot plate near it, and fresh air."
LAW = (
    "Distilling without a licence is unlawful in many countries, at home too. Follow the law, the licences and the "
    "fire codes where you are."
)
SEALED = (
    "A ferment makes gas all the time: a sealed vessel bursts. Leave the gas a way out, and don't bottle before the "
    "gravity has held still for days."
)
FIRST_FRACTIONS = (
    "What comes over first is thrown away, never drunk: mark the jar as not for drinking, and get rid of it as local "
    "rules say."
)
METHANOL = (
    "Fruit, skins, stones and other feedstocks rich in pectin give methanol, which blinds and kills. Neither taste nor "
    "smell nor a cut can judge it; a laboratory can."
)
OBSCURED = (
    "Sugar, wood and colour in a spirit hide its strength: alcoholmeter and density then read too low. Where "
    "distilling a measured sample is lawful, its distillate tells; else a laboratory does."
)
DRINKING = (
    "Tasting is drinking: count the alcohol before you pour, spit where you can, and don't drive or work a machine "
    "after. Not for anyone who is pregnant, under age or should not drink."
)


def any_above(values: Any, limit: float) -> bool:  # noqa: ANN401  a number, an array of them, or none
    """Whether a number, or any of a column, is above a limit."""
    if isinstance(values, np.ndarray):
        return bool((values > limit).any())
    return values is not None and bool(values > limit)


def if_hot(*temperatures_c: Any) -> Sequence[str]:  # noqa: ANN401  as `any_above`
    """Caution where anything is hot enough to scald."""
    return (HOT,) if any(any_above(each, HOT_C) for each in temperatures_c) else ()
