"""A model's JSON Schema, read as a form needs it: what kind of thing stands at a place, and how it is written."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["number", "text", "choice", "yes_no", "anything", "list", "rows", "pairs", "group"]
"""`anything` is text, a number, or yes or no; `list` is single values in a row; `pairs` is names with values."""

Node = Mapping[str, Any]

_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})([eE][+-]?\d{1,3})?", re.ASCII)
_YES_NO = {"true": True, "false": False, "yes": True, "no": False}
_LONGEST_NUMBER = 64
_LONGEST_WORDS = 80
QUANTITY = "a number and a unit of"
"""How the intake room describes text in place of a number."""


@dataclass(frozen=True, slots=True)
class Schema:
    """One model's schema with the parts that it refers to."""

    root: Node

    def resolved(self, node: Node) -> Node:
        """Follow a reference, keeping what is said beside it."""
        while "$ref" in node:
            beside = {name: value for name, value in node.items() if name != "$ref"}
            node = {**self.root["$defs"][node["$ref"].rpartition("/")[2]], **beside}
        return node

    def at(self, name: str) -> Node | None:
        """Find what stands at a dotted place, such as `parts.0.volume_l`; None where nothing can."""
        node: Node | None = self.root
        for step in name.split(".") if name else ():
            node = self._step(node, step) if node is not None else None
        return None if node is None else self.resolved(node)

    def _step(self, node: Node, step: str) -> Node | None:
        for choice in self.choices(node):
            if step in choice.get("properties", {}):
                found: Node = choice["properties"][step]
                return found
            if choice.get("type") == "array" and step.isascii() and step.isdigit():
                return self._part(choice, "items")
            if choice.get("type") == "object" and "properties" not in choice:
                return self._part(choice, "additionalProperties")
        return None

    @staticmethod
    def _part(node: Node, name: str) -> Node:
        part = node.get(name)
        return part if isinstance(part, Mapping) else {}

    def choices(self, node: Node) -> list[Node]:
        """List the forms that a value may take, without the missing one."""
        node = self.resolved(node)
        inner = node.get("anyOf") or node.get("oneOf") or ()
        if not inner or "type" in node:
            return [node]
        found = [choice for part in inner for choice in self.choices(part)]
        return [choice for choice in found if choice.get("type") != "null"]

    def kind(self, node: Node) -> Kind:
        """Tell which kind of field fits."""
        choices = self.choices(node)
        types = {choice.get("type", "string" if "enum" in choice or "const" in choice else "") for choice in choices}
        if any("enum" in choice for choice in choices):
            return "choice"
        if "array" in types:
            items = next(choice for choice in choices if choice.get("type") == "array").get("items", {})
            return "rows" if self.kind(items) == "group" else "list"
        if "object" in types:
            return "group" if any("properties" in choice for choice in choices) else "pairs"
        if types == {"boolean"}:
            return "yes_no"
        if types & {"number", "integer"} and "boolean" not in types and not _free_text(choices):
            return "number"
        return "text" if types == {"string"} else "anything"

    def whole(self, node: Node) -> bool:
        """Whether a number is a count."""
        types = {choice.get("type") for choice in self.choices(node)}
        return "integer" in types and "number" not in types

    def value(self, node: Node, text: str) -> object:
        """Read what was typed as what the model takes; what can't be read stays text, for the model to refuse."""
        kind = self.kind(node)
        if kind == "list":
            items = next(choice for choice in self.choices(node) if choice.get("type") == "array").get("items", {})
            parts = re.split(_between(self.resolved(items)) if self.kind(items) == "text" else r"[,\s]", text)
            return [self.value(items, part.strip()) for part in parts if part.strip()]
        if kind in {"yes_no", "anything"} and text.lower() in _YES_NO:
            return _YES_NO[text.lower()]
        if kind in {"number", "anything"} and len(text) <= _LONGEST_NUMBER and _NUMBER.fullmatch(text):
            digits = text.lstrip("+-").isdigit()
            return int(text) if digits and (kind == "anything" or self.whole(node)) else float(text)
        return text


def _between(items: Node) -> str:
    """What parts texts in one field: a comma or a new line between words, only a new line between sentences."""
    return r"\n" if items.get("maxLength", 0) > _LONGEST_WORDS else r"[,\n]"


def _free_text(choices: list[Node]) -> bool:
    """Whether text of any kind may stand in place of a number: a quantity with its unit is still a number."""
    texts = [choice.get("description", "") for choice in choices if choice.get("type") == "string"]
    return any(not text.startswith(QUANTITY) for text in texts)
