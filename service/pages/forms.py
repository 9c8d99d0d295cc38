"""Forms made from a model: its fields with their units and usual values, what was typed, and what is wrong beside it.

A field is called by its place, dotted: `parts.0.volume_l` is `/parts/0/volume_l` of the document.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from typing import Any

from pydantic import BaseModel

from service.api.problems import Fault
from service.pages.fields import labelled, one_of, unit_of
from service.pages.hints import choices_of, hint_of, mend_of, usual_of
from service.pages.schema import Kind, Schema
from service.pages.typed import Typed, rows_typed, without_blank_rows
from service.pages.wording import sentence, within

_BLANK_ROWS = 1
_MOST_ROWS = 200


Choices = Sequence[tuple[str, str]]
Offered = Mapping[str, Choices]


@dataclass(frozen=True, slots=True)
class Field:
    """One field, as a template shows it."""

    id: str
    name: str
    kind: Kind
    label: str
    unit: str
    hint: str
    usual: str
    needed: bool
    value: str
    choices: Choices
    faults: Sequence[str]

    @property
    def described(self) -> str:
        """Which texts belong to it, for those who listen."""
        return " ".join([*([f"{self.id}-hint"] if self.hint else []), *([f"{self.id}-wrong"] if self.faults else [])])


@dataclass(frozen=True, slots=True)
class Block:
    """Fields that stand together: several single ones, or one group or list of rows."""

    single: bool
    names: list[str]


@dataclass(slots=True)
class Form:
    """A form over one model, filled in as far as it was."""

    schema: Schema
    typed: Typed
    blank_rows: int = _BLANK_ROWS
    wrong: dict[str, list[str]] = field(default_factory=dict)
    placed: set[str] = field(default_factory=set)
    prefix: str = "f"
    offered: Offered = field(default_factory=dict)
    called: dict[str, str] = field(default_factory=dict)

    @classmethod
    def over(
        cls,
        model: type[BaseModel],
        typed: Typed,
        *,
        blank_rows: int = _BLANK_ROWS,
        prefix: str = "f",
        offered: Offered | None = None,
    ) -> "Form":
        """Make a form over a model.

        `prefix` tells its fields from those of other forms of one page; `offered` has what may be chosen in fields of
        some names.
        """
        return cls(_schema_of(model), without_blank_rows(typed), blank_rows, prefix=prefix, offered=offered or {})

    def refuse(self, faults: Iterable[Fault]) -> None:
        """Keep what is wrong, each by its place."""
        for fault in faults:
            name = fault.pointer.removeprefix("query/").removeprefix("/").replace("/", ".")
            self.wrong.setdefault(name, []).append(mend_of(fault.detail))

    def document(self) -> dict[str, Any]:
        """Read what was typed as a document; what was left empty isn't there."""
        document: dict[str, Any] = {}
        for name, text in self.typed.items():
            node = self.schema.at(name)
            if text.strip() and node is not None:
                _put(document, name.split("."), self.schema.value(node, text.strip()))
        read: dict[str, Any] = _lists(document, self.schema, "")
        return read

    def id_of(self, name: str) -> str:
        """Give what labels and links point at."""
        return f"{self.prefix}-{name.replace('.', '-')}"

    def field(self, name: str, label: str = "", hint: str = "", *, needed: bool | None = None) -> Field:
        """Describe the field at a place, with what was typed there and what is wrong with it."""
        node = self.schema.at(name)
        if node is None:
            raise KeyError(name)
        self.placed.add(name)
        if label:
            self.called[name] = label
        key = name.rpartition(".")[2]
        kind: Kind = "choice" if key in self.offered else self.schema.kind(node)
        choices = self.offered.get(key) or choices_of(self.schema, node, kind)
        usual = usual_of(node)
        called, said = label or labelled(key), hint or hint_of(self.schema, node)
        return Field(
            id=self.id_of(name),
            name=name,
            kind=kind,
            label=called,
            unit=unit_of(key) if kind in {"number", "anything"} else "",
            hint="" if said == f"{called}." else said,
            usual=dict(choices).get(usual, usual),
            needed=self._is_needed(name) if needed is None else needed,
            value=self.typed.get(name, ""),
            choices=choices,
            faults=self._faults_at(name, kind),
        )

    def _faults_at(self, name: str, kind: Kind) -> list[str]:
        if kind != "list":
            return self.wrong.get(name, [])
        inner = [(place, faults) for place, faults in self.wrong.items() if place.startswith(f"{name}.")]
        self.placed.update(place for place, _ in inner)
        listed = [f"item {int(place.rpartition('.')[2]) + 1}: {fault}" for place, faults in inner for fault in faults]
        return [*self.wrong.get(name, []), *listed]

    def _is_needed(self, name: str) -> bool:
        above, _, key = name.rpartition(".")
        node = self.schema.at(above)
        return node is not None and key in node.get("required", ())

    def names(self, above: str = "") -> list[str]:
        """List the fields of a group, or of the rows at a place, in the model's order."""
        node = self.schema.at(above) or {}
        for each in self.schema.choices(node):
            if "properties" in each:
                return [f"{above}.{key}" if above else key for key in each["properties"]]
        return []

    def blocks(self) -> list[Block]:
        """Part the form's fields, in the model's order, into those that stand together."""
        found: list[Block] = []
        for name in self.names():
            single = self.kind(name) not in {"group", "rows"}
            if single and found and found[-1].single:
                found[-1].names.append(name)
            else:
                found.append(Block(single, [name]))
        return found

    def rows(self, name: str, label: str = "") -> list[str]:
        """List the rows at a place: those filled in, and some to fill."""
        self.placed.add(name)
        if label:
            self.called[name] = label
        filled = rows_typed(self.typed, name)
        count = min((max(filled) + 1 if filled else 0) + self.blank_rows, _MOST_ROWS)
        listed = [f"{name}.{index}" for index in range(count)]
        self.placed.update(listed)
        return listed

    def columns(self, name: str) -> list[str]:
        """List the fields of one row at a place, by their own names."""
        return [each.rpartition(".")[2] for each in self.names(f"{name}.0")]

    @property
    def has_rows(self) -> bool:
        """Whether the form can be made longer."""
        return any(self.kind(name) == "rows" for name in self.names())

    def kind(self, name: str) -> Kind:
        """Tell which kind of field stands at a place."""
        return self.schema.kind(self.schema.at(name) or {})

    def title(self, name: str) -> str:
        """Write what a place is called."""
        return labelled(name.rpartition(".")[2])

    def hint(self, name: str) -> str:
        """Write what is said of a place."""
        return hint_of(self.schema, self.schema.at(name) or {})

    def unshown_beside(self, *known: str) -> list[tuple[str, str]]:
        """List what was written down and has no field, to be carried along; `known` are places shown in another way."""
        left = [(name, text) for name, text in self.typed.items() if text and name not in self.placed]
        return [(name, text) for name, text in left if name.partition(".")[0] not in known]

    @property
    def unplaced(self) -> list[tuple[str, str]]:
        """What is wrong somewhere that the form doesn't show, or with the whole."""
        return [(name, fault) for name, faults in self.wrong.items() if name not in self.placed for fault in faults]

    @property
    def beside(self) -> list[tuple[str, str, str]]:
        """What is wrong with fields: the field's id, its label, and what to mend."""
        return [
            (self.id_of(name), self._path(name), fault)
            for name, faults in self.wrong.items()
            if name in self.placed
            for fault in faults
        ]

    def _path(self, name: str) -> str:
        """Write a place as people would: `batches.1.final_sg` is "Vessel 2: final gravity"."""
        *above, last = steps = name.split(".")
        rows = [f"{one_of(kind)} {int(number) + 1}" for kind, number in pairwise(steps) if number.isdigit()]
        if above and last.isdigit():
            return sentence(", ".join(rows))
        label = self.called.get(name) or labelled(last)
        return f"{sentence(', '.join(rows))}: {within(label)}" if rows else label


@cache
def _schema_of(model: type[BaseModel]) -> Schema:
    return Schema(model.model_json_schema())


def _put(document: dict[str, Any], steps: Sequence[str], value: object) -> None:
    for step in steps[:-1]:
        document = document.setdefault(step, {})
    document[steps[-1]] = value


def _lists(part: Any, schema: Schema, name: str) -> Any:  # noqa: ANN401  any part of a document
    """Turn objects whose keys are places into the lists that they stand for."""
    if not isinstance(part, dict):
        return part
    inner = {key: _lists(value, schema, f"{name}.{key}" if name else key) for key, value in part.items()}
    node = schema.at(name)
    if name and node is not None and schema.kind(node) in {"rows", "list"}:
        return [inner[key] for key in sorted(inner, key=int)]
    return inner
