"""The form in which a replication is written down: laid out by its protocol, so that it asks for what is needed."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.api.problems import Problem
from service.intake.documents import (
    DESCRIPTORS,
    PREFERENCE,
    TASTING_OUTCOMES,
    BatchDocument,
    HeldConstant,
    Package,
    ProtocolDocument,
    QuestionDocument,
    Revision,
    Spirit,
)
from service.intake.lookup import named_fields
from service.pages.forms import Form
from service.pages.typed import Typed, typed_of

_ALWAYS = ("batch", "pitched_at", "original_sg", "final_sg", "degassed")
_ALSO = {"days_to_finish": "days_to_finish", "reached_dryness": "reached_dryness", "ph_end": "measured.ph_end"}
_BESIDE = {"days_to_finish": "still_going_at_days"}
"""What is said in place of another field, where that can't be told."""
_PARTS = (("", BatchDocument), ("spirit.", Spirit), ("package.", Package))
# What stands in a row before anybody has typed: alone, it says nothing.
_PREFILLED = {
    "batches": frozenset({"arm", "batch"}),
    "trials": frozenset({"method", "control", "treatment", "planned"}),
    "descriptors": frozenset({"term"}),
}
_CONDITION_ROWS = 3


@dataclass(frozen=True, slots=True)
class Vessel:
    """One vessel's part of the form."""

    place: str
    arm: str
    label: str


@dataclass(frozen=True, slots=True)
class Laid:
    """A replication's form, laid out by the protocol that it follows."""

    form: Form
    question: QuestionDocument
    protocol: ProtocolDocument
    version: int

    @property
    def vessels(self) -> list[Vessel]:
        """One vessel of every arm, and whatever more was written down."""
        labels = {arm.key: arm.label for arm in self.question.arms}
        written = [row for row in self.form.rows("batches") if f"{row}.arm" in self.form.typed]
        arms = [self.form.typed[f"{row}.arm"] for row in written]
        more = [key for key in labels if key not in arms]
        places = [*written, *(f"batches.{len(written) + number}" for number in range(len(more)))]
        return [Vessel(place, arm, labels.get(arm, arm)) for place, arm in zip(places, [*arms, *more], strict=True)]

    @property
    def of_a_vessel(self) -> list[str]:
        """The fields of a vessel: always the same few, and those that the protocol asks for."""
        goals = [_ALSO[goal.outcome] for goal in self.protocol.outcomes if goal.outcome in _ALSO]
        own = [
            _ALSO.get(goal.outcome, f"measured.{goal.outcome}")
            for goal in self.protocol.outcomes
            if goal.outcome not in {*TASTING_OUTCOMES, "final_sg"} and not _is_computed(goal.outcome)
        ]
        asked = [_place(name) for name in named_fields(self.protocol.measurements)]
        held = [place for each in self.protocol.held_constant if (place := _held(each)) is not None]
        names = dict.fromkeys([*_ALWAYS, *asked, *goals, *own, *held])
        return list(dict.fromkeys(each for name in names for each in (name, _BESIDE.get(name)) if each is not None))

    @property
    def asks_for_preference(self) -> bool:
        """Whether the protocol asks which is liked better."""
        return any(goal.outcome == PREFERENCE for goal in self.protocol.outcomes)

    @property
    def asks_for_words(self) -> bool:
        """Whether the protocol asks which words fit."""
        return bool(self.protocol.descriptors) or any(goal.outcome == DESCRIPTORS for goal in self.protocol.outcomes)

    @property
    def conditions(self) -> list[tuple[str, str]]:
        """What may change the answer elsewhere, as rows of a name and a value."""
        start = "conditions."
        given = [(name.removeprefix(start), text) for name, text in self.form.typed.items() if name.startswith(start)]
        held = [each.key for each in self.protocol.held_constant if _held(each) is None]
        missing = [(key, "") for key in held if key not in dict(given)]
        return [*given, *missing, *([("", "")] * _CONDITION_ROWS)]


def _is_computed(outcome: str) -> bool:
    return outcome in {"apparent_attenuation_percent", "abv_percent", "pure_alcohol_l_per_kg"}


def _place(name: str) -> str:
    """Find where on a vessel a protocol's name is written."""
    if "." in name:
        return name
    return next((f"{part}{name}" for part, model in _PARTS if name in model.model_fields), f"measured.{name}")


def _held(each: HeldConstant) -> str | None:
    """Find where a held condition is written on a vessel; None for one that the whole replication has."""
    place = _place(each.key)
    return None if place.startswith("measured.") and not isinstance(each.target, (int, float)) else place


def laid_out(question: QuestionDocument, protocol: ProtocolDocument, version: int, typed: Typed) -> Laid:
    """Lay the form out with what was typed; nothing typed is the empty form."""
    return Laid(Form.over(Revision, {**_empty(question, protocol, version), **typed}), question, protocol, version)


def _empty(question: QuestionDocument, protocol: ProtocolDocument, version: int) -> dict[str, str]:
    typed = {"question": question.slug or "", "protocol_version": str(version)}
    for index, arm in enumerate(question.arms):
        typed |= {f"batches.{index}.arm": arm.key, f"batches.{index}.batch": arm.label}
    if protocol.trial is not None:
        trial = protocol.trial
        typed |= typed_of({"method": trial.method, "control": trial.control, "treatment": trial.treatment}, "trials.0")
        typed["trials.0.planned"] = str(trial.presentations)
        typed |= {f"trials.0.descriptors.{index}.term": term for index, term in enumerate(protocol.descriptors)}
    return typed


def settled(typed: Typed) -> dict[str, str]:
    """Take rows out that hold only what was there before anybody typed, and give conditions their names."""
    kept = {name: text for name, text in typed.items() if text.strip()}
    kept = _without_prefilled(kept, "descriptors")
    kept = _without_prefilled(kept, "trials")
    kept = _without_prefilled(kept, "batches")
    return dict(_conditions(kept))


def _without_prefilled(typed: Typed, rows: str) -> dict[str, str]:
    said: set[str] = set()
    for name in typed:
        place, rest = _row(name, rows)
        if place and rest not in _PREFILLED[rows]:
            said.add(place)
    return {name: text for name, text in typed.items() if not _row(name, rows)[0] or _row(name, rows)[0] in said}


def _row(name: str, rows: str) -> tuple[str, str]:
    """Split a name into the row that it belongs to and its place in the row."""
    steps = name.split(".")
    if rows not in steps[:-2]:
        return "", ""
    at = steps.index(rows) + 2
    return ".".join(steps[:at]), ".".join(steps[at:])


def _conditions(typed: Typed) -> Iterator[tuple[str, str]]:
    for name, text in typed.items():
        if not name.startswith("condition."):
            yield name, text
        elif name.endswith(".name"):
            key = text.strip().lower().replace(" ", "_").replace(".", "_")
            value = typed.get(f"{name.removesuffix('.name')}.value", "")
            if value.strip():
                yield f"conditions.{key}", value


def read(text: Mapping[str, Any] | Sequence[Any] | Any) -> Mapping[str, Any]:  # noqa: ANN401  any JSON value
    """Require that a document is one object."""
    if not isinstance(text, Mapping):
        raise Problem("malformed-json", "a document is one JSON object")
    return text
