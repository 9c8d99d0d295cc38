"""What happened, read from the data packages of one record in the order in which it happened."""

import heapq
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID, uuid5

from service.intake.documents import ProtocolDocument, QuestionDocument
from service.intake.refusals import Refused
from service.intake.weighing import Model, Sent, Setting, taken
from service.record.archive import REPLICATIONS, Archive, Leaf, NotAPackage
from service.record.bulk import Member

_STARTS = {"registration", "submission"}
NAME = "restored from a data package"


@dataclass(frozen=True, slots=True)
class Act:
    """One thing that happened; `sent` is the document, where it starts a replication."""

    position: int
    kind: str
    subject: str
    at: datetime
    content: Mapping[str, Any] | None
    sent: Sent | None = None
    member: Member | None = None


@dataclass(slots=True)
class Acts:
    """The acts of some packages, and what couldn't be read as one.

    Parameters
    ----------
    paths : sequence of Path
        Packages of one record; what stands in several is given once.

    """

    paths: Sequence[Path]
    erased: set[str] = field(default_factory=set)
    withheld: set[str] = field(default_factory=set)
    _questions: dict[str, QuestionDocument] = field(default_factory=dict)
    _slugs: dict[str, str] = field(default_factory=dict)
    _protocols: dict[tuple[str, int], ProtocolDocument] = field(default_factory=dict)

    def __iter__(self) -> Iterator[Act]:
        """Give the acts in the order of the ledger."""
        with ExitStack() as stack:
            archives = [stack.enter_context(Archive(path)) for path in self.paths]
            begun = {row["replication"]: row for archive in archives for row in archive.rows(REPLICATIONS)}
            begun = {name: row for name, row in begun.items() if not row["submitted_position"]}
            for leaf in _merged(archives):
                act = self._act(leaf, begun)
                if act is not None:
                    yield act

    def _act(self, leaf: Leaf, begun: Mapping[str, Mapping[str, str]]) -> Act | None:
        if leaf.showing == "erased":
            self.erased.add(leaf.subject)
            return None
        if leaf.content is None:
            return self._untold(leaf, begun)
        content = json.loads(leaf.content)
        if leaf.kind == "question":
            document = {name: value for name, value in content.items() if name != "author"}
            self._questions[leaf.subject] = _known(QuestionDocument, document, leaf)
            self._slugs[content["slug"]] = leaf.subject
        elif leaf.kind == "protocol":
            protocol = content["question"], content["version"]
            self._protocols[protocol] = _known(ProtocolDocument, content["document"], leaf)
        elif leaf.kind in _STARTS and content["revision"] == 1:
            member = Member(id=UUID(content["contributor"]), household_id=UUID(content["household"]), display_name=NAME)
            followed = content["question"], content["protocol_version"]
            return self._start(leaf, member, followed, content["document"])
        return Act(leaf.position, leaf.kind, leaf.subject, leaf.at, content)

    def _untold(self, leaf: Leaf, begun: Mapping[str, Mapping[str, str]]) -> Act | None:
        """Of what was never submitted only that it was begun, and withdrawn, is told: enough for it to be counted."""
        self.withheld.add(leaf.subject)
        row = begun.get(leaf.subject)
        if leaf.kind == "withdrawal":
            content = {"category": "consent", "reason": "the data package doesn't tell it", "effect": "withdrawn"}
            return Act(leaf.position, leaf.kind, leaf.subject, leaf.at, content)
        if leaf.kind != "registration" or row is None:
            return None
        member = Member(
            id=uuid5(UUID(leaf.subject), "contributor"), household_id=UUID(row["household"]), display_name=NAME
        )
        version = int(row["protocol_version"])
        plan: dict[str, Any] = {
            name: row[f"plan_{name}"] for name in ("control", "treatment", "method") if row.get(f"plan_{name}")
        }
        if row.get("plan_presentations"):
            plan["presentations"] = int(row["plan_presentations"])
        document = {"question": row["question"], "protocol_version": version, "state": "registered", "plan": plan}
        return self._start(leaf, member, (self._slugs.get(row["question"], ""), version), document)

    def _start(self, leaf: Leaf, member: Member, protocol: tuple[str, int], document: Mapping[str, Any]) -> Act:
        if protocol not in self._protocols or protocol[0] not in self._questions:
            raise NotAPackage(f"position {leaf.position} follows a protocol that none of the packages has")
        setting = Setting(UUID(protocol[0]), self._questions[protocol[0]], self._protocols[protocol])
        sent = Sent(UUID(leaf.subject), member.id, member.household_id, document, setting)
        return Act(leaf.position, leaf.kind, leaf.subject, leaf.at, None, sent, member)


def _known(model: type[Model], document: Mapping[str, Any], leaf: Leaf) -> Model:
    try:
        return taken(model, document)
    except Refused as refused:
        where = refused.faults[0].pointer
        raise NotAPackage(
            f"The {leaf.kind} at position {leaf.position} isn't as this version of the software takes one "
            f"({where}: {refused.faults[0].detail})."
        ) from None


def _merged(archives: Sequence[Archive]) -> Iterator[Leaf]:
    """Give the leaves of all packages in order, each once: the one that shows the most."""
    held: Leaf | None = None
    for leaf in heapq.merge(*(archive.leaves() for archive in archives), key=lambda each: each.position):
        if held is not None and held.position == leaf.position:
            if held.leaf_hash != leaf.leaf_hash:
                raise NotAPackage(f"the packages are of different records: they differ at position {leaf.position}")
            held = leaf if held.content is None else held
            continue
        if held is not None:
            yield held
        held = leaf
    if held is not None:
        yield held
