"""Other explanations that lie in the still and the glass: cleaning, cuts, strength and rest."""

from collections.abc import Iterator
from itertools import chain

from service.intake.documents import BatchDocument, Spirit
from service.intake.ferment_confounds import mean
from service.intake.flags import Flag
from service.intake.protocol_check import Checked, Comparison

STRENGTH_TOLERANCE_PERCENT = 0.5
"""How far tasting strengths may be apart where a protocol says nothing; common practice, no source."""

_SHARES_APART = 0.05  # of the alcohol collected; a judgement, common practice, no source
_REST_APART = 0.1  # of the longer rest; likewise
_SLACK = 1e-9


def run_flags(checked: Checked) -> Iterator[Flag]:
    """Name what differs between the runs and the glasses besides the factor."""
    yield from _running(checked)
    yield from chain.from_iterable(_between(checked, arms) for arms in checked.tasted_comparisons)


def _running(checked: Checked) -> Iterator[Flag]:
    runs = [batch.spirit for batch in checked.document.batches if batch.spirit is not None]
    # The first run follows none of these: whether the still was clean before it tells nothing between the arms.
    unclean = sum(run.cleaned_between is False and run.run_order != 1 for run in runs)
    if unclean:
        detail = f"{unclean} of {len(runs)} runs followed another without cleaning: the first may linger in the second."
        yield Flag("not_cleaned_between", detail, {"runs": unclean})
    knowing = sum(run.cut_rule == "taste" and run.cutter_knew_arm is True for run in runs)
    if knowing:
        detail = f"{knowing} of {len(runs)} runs were cut by taste by someone who knew the arm."
        yield Flag("cut_by_taste_knowing_arm", detail, {"runs": knowing})


def _between(checked: Checked, arms: Comparison) -> Iterator[Flag]:
    control, treatment = checked.batches_of(arms[0]), checked.batches_of(arms[1])
    yield from _strengths(checked, control, treatment, arms)
    yield from _rests(_spirits(control), _spirits(treatment), arms)
    yield from _cuts(_spirits(control), _spirits(treatment), arms)


def _strengths(
    checked: Checked, control: list[BatchDocument], treatment: list[BatchDocument], arms: Comparison
) -> Iterator[Flag]:
    trial = checked.protocol.trial
    expected = bool(_spirits(control) or _spirits(treatment)) or (
        trial is not None and trial.tasting_abv_percent is not None
    )
    sides = [
        [spirit for spirit in _spirits(side) if spirit.tasting_abv_percent is not None] for side in (control, treatment)
    ]
    if not sides[0] or not sides[1]:
        if expected and any(not trial.is_sham for trial in checked.document.trials):
            yield Flag("strengths_not_given", "Tasting strengths aren't given for both arms.", arms=arms)
        return
    tolerance = (trial.tasting_abv_tolerance_percent if trial else None) or STRENGTH_TOLERANCE_PERCENT
    # Glasses are poured from one vessel each, so it is the two furthest apart that may have been the cue.
    one, other = max(
        ((a, b) for a in sides[0] for b in sides[1]),
        key=lambda pair: abs((pair[0].tasting_abv_percent or 0.0) - (pair[1].tasting_abv_percent or 0.0)),
    )
    at, to = one.tasting_abv_percent or 0.0, other.tasting_abv_percent or 0.0
    stated = [one.tasting_abv_uncertainty_percent, other.tasting_abv_uncertainty_percent]
    known = [figure for figure in stated if figure is not None]
    apart = abs(to - at)
    could_differ = apart + (sum(known) if len(known) == 2 else tolerance)
    shown = (could_differ if len(known) == 2 else apart) <= tolerance + _SLACK
    if not shown:
        detail = (
            f"Tasted at {at:.4g} and {to:.4g} % vol: they could differ by up to {could_differ:.2g} % vol, "
            f"and {tolerance:g} is allowed. A strength mismatch may have been the cue."
        )
        numbers = {"difference": apart, "could_differ_by": could_differ, "tolerance": tolerance}
        yield Flag("strengths_not_shown_to_match", detail, numbers, arms=arms)


def _rests(control: list[Spirit], treatment: list[Spirit], arms: Comparison) -> Iterator[Flag]:
    rests = [mean([spirit.rest_h for spirit in side]) for side in (control, treatment)]
    if rests[0] is None or rests[1] is None:
        return
    if abs(rests[1] - rests[0]) > max(1.0, _REST_APART * max(rests[0], rests[1])):
        detail = f"The spirits rested {rests[0]:.3g} and {rests[1]:.3g} h between proofing and tasting."
        yield Flag("rest_times_unequal", detail, {"control": rests[0], "treatment": rests[1]}, arms=arms)


def _cuts(control: list[Spirit], treatment: list[Spirit], arms: Comparison) -> Iterator[Flag]:
    shares = [_shares(side) for side in (control, treatment)]
    names = [name for name in shares[0] if name in shares[1]]
    apart = {name: abs(shares[1][name] - shares[0][name]) for name in names}
    if not apart:
        return
    widest = max(apart, key=lambda name: apart[name])
    if apart[widest] > _SHARES_APART:
        one, other = shares[0][widest], shares[1][widest]
        detail = f"One fraction held {100 * one:.0f} % of an arm's alcohol in one and {100 * other:.0f} % in the other."
        yield Flag("cut_shares_unlike", detail, {"control": one, "treatment": other}, arms=arms)


def _shares(spirits: list[Spirit]) -> dict[str, float]:
    """Return each named fraction's share of the pure alcohol collected in an arm."""
    alcohol: dict[str, float] = {}
    for spirit in spirits:
        for fraction in spirit.fractions:
            name = fraction.name.casefold()
            alcohol[name] = alcohol.get(name, 0.0) + fraction.volume_l * fraction.abv_percent
    total = sum(alcohol.values())
    return {name: held / total for name, held in alcohol.items()} if total > 0.0 else {}


def _spirits(batches: list[BatchDocument]) -> list[Spirit]:
    return [batch.spirit for batch in batches if batch.spirit is not None]
