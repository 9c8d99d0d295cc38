"""Was what should be held constant held: for each condition, and for one comparison as a whole."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.intake.documents import BatchDocument, HeldConstant
from service.intake.flags import Flag
from service.intake.lookup import Value, value_of
from service.intake.outcomes import OUTCOMES
from service.intake.protocol_check import Checked

_SLACK = 1e-9  # a tolerance of 0.2 holds 5.4 against 5.2, whatever binary fractions make of it


@dataclass(frozen=True, slots=True)
class Held:
    """How one condition stood on some batches; `furthest` is from the target, or else between batches."""

    condition: HeldConstant
    unrecorded: int
    held: bool
    furthest: float | None = None

    @property
    def met(self) -> bool | None:
        """False where a value is outside, None where one is missing and none outside."""
        if not self.held:
            return False
        return None if self.unrecorded else True


def conditions_met(checked: Checked, arms: tuple[str, str], *, tasted: bool) -> bool | None:
    """Whether every condition that was fixed before the outcome held on the batches of a comparison.

    A condition that is itself an outcome, such as the final gravity, is left out: choosing results by it would bias
    them. The tasting strength counts for what was tasted, where the protocol gives a tolerance.

    Returns
    -------
    bool or None
        True where all are recorded and held, False where one is outside, None where one isn't recorded.

    """
    batches = [batch for arm in dict.fromkeys(arms) for batch in checked.batches_of(arm)]
    own = {goal.outcome for goal in checked.protocol.outcomes}
    found = [
        stand(condition, batches, checked.document.conditions).met
        for condition in checked.protocol.held_constant
        if condition.key not in OUTCOMES and condition.key not in own
    ]
    if tasted and (strength := strength_condition(checked)) is not None:
        found.append(stand(strength, batches, {}).met)
    if found and not batches:
        return None
    return False if False in found else None if None in found else True


def strength_condition(checked: Checked) -> HeldConstant | None:
    """Return the tasting strength as a condition, where the protocol gives a tolerance for it."""
    trial = checked.protocol.trial
    if trial is None or trial.tasting_abv_tolerance_percent is None:
        return None
    return HeldConstant(
        key="tasting_abv_percent",
        label="Tasting strength",
        unit="% vol",
        target=trial.tasting_abv_percent,
        tolerance=trial.tasting_abv_tolerance_percent,
    )


def stand(condition: HeldConstant, batches: Sequence[BatchDocument], conditions: dict[str, Value]) -> Held:
    """Look one condition up on every batch and set it against its target."""
    looked_up = [value_of(batch, condition.key, conditions) for batch in batches]
    values = [value for value in looked_up if value is not None]
    unrecorded = len(looked_up) - len(values)
    target = condition.target
    numbers = [float(value) for value in values if not isinstance(value, (bool, str))]
    if isinstance(target, (bool, str)) or len(numbers) < len(values):
        first = target if target is not None else next(iter(values), None)
        return Held(condition, unrecorded, held=all(_same(value, first) for value in values))
    if not numbers:
        return Held(condition, unrecorded, held=True)
    spread = [abs(number - target) for number in numbers] if target is not None else [max(numbers) - min(numbers)]
    furthest = max(spread)
    return Held(condition, unrecorded, furthest <= (condition.tolerance or 0.0) + _SLACK, furthest)


def condition_flags(checked: Checked) -> Iterator[Flag]:
    """Name each condition that is outside its tolerance or not recorded."""
    batches = checked.document.batches
    if not batches:
        return
    for condition in checked.protocol.held_constant:
        held = stand(condition, batches, checked.document.conditions)
        label = condition.label or condition.key
        if not held.held:
            yield Flag("condition_outside_tolerance", _outside(held, label), _numbers(held))
        if held.unrecorded:
            detail = f"{label} isn't recorded on {held.unrecorded} of {len(batches)} batches."
            yield Flag("condition_not_recorded", detail, {"missing": held.unrecorded, "batches": len(batches)})


def _outside(held: Held, label: str) -> str:
    condition = held.condition
    if held.furthest is None:
        return f"{label} wasn't the same as planned on every batch."
    unit = f" {condition.unit}" if condition.unit else ""
    whence = f"from the target of {condition.target:g}{unit}" if condition.target is not None else "between batches"
    return f"{label} was {held.furthest:.3g}{unit} off {whence}; {condition.tolerance or 0:g}{unit} is allowed."


def _numbers(held: Held) -> dict[str, float]:
    if held.furthest is None:
        return {}
    numbers = {"furthest": held.furthest, "tolerance": held.condition.tolerance or 0.0}
    target = held.condition.target
    return numbers if target is None or isinstance(target, str) else {"target": float(target), **numbers}


def _same(value: Value, other: Value | None) -> bool:
    if isinstance(value, str) and isinstance(other, str):
        return value.casefold() == other.casefold()
    return type(value) is type(other) and value == other
