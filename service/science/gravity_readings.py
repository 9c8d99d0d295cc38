"""Gravity results in words."""

from service.science.gravity import Attenuation


def attenuation_reading(result: Attenuation, *, fed: bool = False) -> str:
    """Say what an attenuation result (of one pair of readings) means, and where its figures come from.

    Parameters
    ----------
    result : Attenuation
        Of scalars.
    fed : bool
        Whether anything was added between the readings.

    """
    strength = f"About {result.abv_percent:.1f} % vol, give or take {2 * result.abv_uncertainty_percent:.1f}."
    equivalent = (
        f" With what was added it is as strong as if it had started at {result.equivalent_original_sg:.3f}; what was "
        "weighed in counts as exact."
        if fed
        else ""
    )
    # Of the figures as they are said, so that the sentence agrees with itself.
    shortfall = round(float(result.abv_percent), 1) - round(float(result.abv_linear_percent), 1)
    linear = f" The common 131.25 rule gives {result.abv_linear_percent:.1f}" + (
        f", {abs(shortfall):.1f} too {'low' if shortfall > 0 else 'high'}." if abs(shortfall) > 0.05 else " too."
    )
    if result.apparent_attenuation_percent > 100.0:
        over = (
            " Apparent attenuation above 100 % is no mistake: alcohol is lighter than water, so the finished drink "
            "reads below 1.000 although some extract is left."
        )
    else:
        over = ""
    basis = " Balling's relation was measured on beer; for sugar, honey and fruit it is an estimate."
    return strength + equivalent + linear + over + basis
