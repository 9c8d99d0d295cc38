"""People, questions and replications, made over HTTP. Invented."""

import copy
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

QUESTION: dict[str, Any] = {
    "title": "Does clearing a grain wash before the first run change the spirit?",
    "factor": "clearing before the run",
    "stage": "distil",
    "arms": [
        {"key": "control", "label": "Left cloudy", "is_control": True},
        {"key": "treatment", "label": "Cleared for a week"},
    ],
}
PROTOCOL: dict[str, Any] = {
    "summary": "Ferment one wash, part it, clear one half, run both alike.",
    "split_point": "spirit",
    "outcomes": [{"outcome": "perceivable_difference", "primary": True}],
    "trial": {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 12},
}
_numbers = itertools.count(1)


@dataclass(frozen=True, slots=True)
class Person:
    """A contributor, and the header that says who they are."""

    id: str
    token: str

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}


class Community:
    """Fills the record behind a client; every step must succeed."""

    def __init__(self, client) -> None:
        self.client = client

    def person(self) -> Person:
        made = self._sent("POST", "/v1/contributors", 201, json={"display_name": f"Cellar mouse {next(_numbers)}"})
        return Person(made["id"], made["token"])

    def question(self, author: Person, **changes: Any) -> str:
        """Ask a question without a protocol yet; its slug."""
        body = {**copy.deepcopy(QUESTION), "slug": f"question-{next(_numbers)}", **changes}
        return str(self._sent("POST", "/v1/questions", 201, author, json=body)["slug"])

    def protocol(self, author: Person, slug: str, **changes: Any) -> int:
        body = {**copy.deepcopy(PROTOCOL), **changes}
        return int(self._sent("POST", f"/v1/questions/{slug}/protocols", 201, author, json=body)["version"])

    def asked(self, author: Person, **protocol: Any) -> str:
        """Ask a question with a first protocol; its slug."""
        slug = self.question(author)
        self.protocol(author, slug, **protocol)
        return slug

    def submitted(self, person: Person, document: dict[str, Any]) -> dict[str, Any]:
        return self._sent("POST", "/v1/replications", 201, person, json=document)

    def evidence(self, slug: str, **query: Any) -> dict[str, Any]:
        return self._sent("GET", f"/v1/questions/{slug}/evidence", 200, params=query)

    def _sent(self, method: str, path: str, status: int, by: Person | None = None, **given: Any) -> dict[str, Any]:
        answer = self.client.request(method, path, headers=by.headers if by else {}, **given)
        assert answer.status_code == status, answer.text
        return answer.json()


def replication(slug: str, *counts: Sequence[int], **changes: Any) -> dict[str, Any]:
    """A submission whose tasters p1, p2, ... got (correct, presented) triangles right."""
    assessors = [
        {"assessor": f"p{number}", "presented": presented, "correct": correct}
        for number, (correct, presented) in enumerate(counts or [(8, 12)], start=1)
    ]
    trial = {
        "method": "triangle",
        "control": "control",
        "treatment": "treatment",
        "planned": sum(each["presented"] for each in assessors),
        "order_draw": "each_afresh",
        "told_during": False,
        "assessors": assessors,
    }
    return {"question": slug, "protocol_version": 1, "trials": [trial], **changes}


def registration(slug: str, **changes: Any) -> dict[str, Any]:
    return {"question": slug, "protocol_version": 1, "state": "registered", **changes}
