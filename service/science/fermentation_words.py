"""A ferment's progress in a plain sentence or two: what is seen, and what to check next."""

from dataclasses import dataclass

from service.science.intervals import Interval

_TOO_EARLY = 0.5
"""An interval for the end wider than this share of the whole fall says nothing yet."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the sentence is made of; gravities are specific, drops are in a day."""

    state: str
    count: int
    elapsed_h: float
    since_pitching_h: float
    start_sg: float
    latest_sg: float
    fell: bool
    rose: bool
    steady_h: float
    attenuation_percent: float | None
    expected_sg: float | None
    final: Interval | None
    present_drop: float | None
    cooled_c: float
    off_curve: int


def progress_reading(facts: Facts) -> str:
    """Say where a ferment stands and what to check next."""
    says = {
        "lagging": _lagging,
        "active": _active,
        "slowing": _slowing,
        "finished": _finished,
        "stalled": _stalled,
    }[facts.state](facts)
    return " ".join(part for part in (says, _few(facts), _off(facts)) if part)


def _lagging(facts: Facts) -> str:
    if facts.count == 1:
        return f"One reading, {facts.latest_sg:.3f}: read again tomorrow, as one says nothing of a fall."
    return (
        f"No fall yet beyond what the readings can tell, {facts.since_pitching_h:.0f} h after pitching. A day or two "
        "of lag is common. Check the temperature and that the yeast is alive, and read again in 12 h."
    )


def _active(facts: Facts) -> str:
    pace = f" and still losing {facts.present_drop:.3f} a day" if facts.present_drop is not None else ""
    down = f"Fermenting: down from {facts.start_sg:.3f} to {facts.latest_sg:.3f}{pace}."
    return f"{down}{_heading(facts)} Read it again in a day."


def _slowing(facts: Facts) -> str:
    pace = f", now losing {facts.present_drop:.4f} a day" if facts.present_drop is not None else ""
    down = f"Slowing down: from {facts.start_sg:.3f} to {facts.latest_sg:.3f}{pace}."
    return (
        f"{down}{_heading(facts)}{_cooled(facts)} Read degassed samples every other day: two that agree 48 h apart "
        "mean the end."
    )


def _finished(facts: Facts) -> str:
    dry = facts.latest_sg <= 1.000 or facts.expected_sg is not None
    doubt = "" if dry else " Sugar, honey and most fruit go on to 1.000 or below: for those it would be a stall."
    return (
        f"Steady at {facts.latest_sg:.3f} for {facts.steady_h:.0f} h{_attenuated(facts)}: it looks finished.{doubt}"
        " Before bottling, check that the samples were degassed and at the instrument's temperature."
    )


def _stalled(facts: Facts) -> str:
    if not facts.fell:
        return (
            f"No fall from {facts.start_sg:.3f} in {facts.since_pitching_h:.0f} h: it hasn't started. Check that the "
            "yeast is alive, the temperature, and that nothing in it keeps yeast from growing; then pitch fresh yeast."
        )
    aim = f", short of the {facts.expected_sg:.3f} expected" if facts.expected_sg is not None else ""
    return (
        f"Steady at {facts.latest_sg:.3f} for {facts.steady_h:.0f} h{_attenuated(facts)}{aim}: it looks stuck, not "
        f"finished.{_cooled(facts)} Check the reading with a second instrument, then temperature, pH and yeast food. "
        "Don't bottle it: it may start again."
    )


def _heading(facts: Facts) -> str:
    if facts.final is None:
        return ""
    estimate, low, high = (float(each) for each in (facts.final.estimate, facts.final.low, facts.final.high))
    if high - low > _TOO_EARLY * (facts.start_sg - estimate):
        return f" It is too early to say where it ends: anywhere from {low:.3f} to {high:.3f} fits."
    return f" It is heading for about {estimate:.3f} ({low:.3f} to {high:.3f})."


def _attenuated(facts: Facts) -> str:
    return "" if facts.attenuation_percent is None else f", {facts.attenuation_percent:.0f} % apparent attenuation"


def _cooled(facts: Facts) -> str:
    return f" It has cooled by {facts.cooled_c:.0f} K: warm it up first." if facts.cooled_c >= 3.0 else ""


def _few(facts: Facts) -> str:
    if facts.rose:
        return "The gravity has risen: if sugar was added, count from the addition; if not, check the readings."
    if facts.final is None and facts.fell and facts.count < 4:
        return f"{facts.count} readings make no curve; four at different times do."
    if facts.final is None and facts.fell and facts.count >= 4:
        return (
            "The readings don't follow one falling curve, so no end is projected: were additions made, or instruments "
            "changed?"
        )
    return ""


def _off(facts: Facts) -> str:
    if not facts.off_curve:
        return ""
    many = "1 reading lies" if facts.off_curve == 1 else f"{facts.off_curve} readings lie"
    return f"{many} off the curve and took no part in it."
