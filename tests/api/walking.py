"""Requests made up from the interface text and sent to a live server, one by one and in walks along the text's links.

What fails is gathered, not raised: a run goes on to its end, and tells everything that it found.
"""

import copy
import random
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import hypothesis
import requests
import schemathesis
from hypothesis import HealthCheck, Phase
from hypothesis.errors import FlakyStrategyDefinition
from schemathesis.config import SchemathesisConfig
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.specs.openapi.checks import (
    ensure_resource_availability,
    negative_data_rejection,
    positive_data_acceptance,
)

from tests.api.community import PROTOCOL, QUESTION, Community, Person, registration, replication
from tests.api.kitchen import PROTOCOL_TRIAL

# A question, an arm or a ledger position that a document names must be there, two gravities must stand in a relation, a
# text with a unit must be one: no schema says so, and what is made up from schemas is refused for it.
EXCLUDED = [positive_data_acceptance]
# In a walk the link's body and our token stand in for what was made up, so that what was to be refused may be good; and
# what was only registered is nobody's to read, as documented. One by one, the first is checked.
EXCLUDED_IN_WALKS = [*EXCLUDED, negative_data_rejection, ensure_resource_availability]
_CONFIG = {
    "generation": {"database": "none"},
    "phases": {"coverage": {"enabled": False}, "stateful": {"inference": {"algorithms": []}}},
}
_ARMS = {"control": "control", "treatment": "treatment"}
_BATCHES = [
    {"arm": arm, "batch": f"{arm} jug", "original_sg": 1.06, "final_sg": final, "pitched_at": "2026-05-01T08:00:00Z"}
    for arm, final in (("control", 1.01), ("treatment", 1.004))
]
_PROTOCOL = {
    **PROTOCOL,
    "trial": PROTOCOL_TRIAL,
    "outcomes": [*PROTOCOL["outcomes"], {"outcome": "final_sg"}, {"outcome": "finished_dry"}],
}
_HERE = {"question": "$response.body#/question", "protocol_version": "$response.body#/version"}
_TRIALS = replication("")["trials"]
_OPENING = {**_ARMS, "method": "triangle", "presentations": 2, "tasters": ["p1", "p2"], "pour_ml": 5, "abv_percent": 5}
_SAME_SECRET = {"path.secret": "$request.path.secret"}
_POURING = {"path.secret": "$response.body#/helper_link#regex:/pour/(.+)$"}


def _tasting(number: int) -> dict[str, str]:
    return {"path.secret": f"$response.body#/tasters/{number}/taster_link#regex:/taste/(.+)$"}


def _beside(id_: str) -> dict[str, Any]:
    """Make a revision of what an answer names, which holds its question and version beside its id."""
    names = ("question", "protocol_version")
    same = {name: f"$response.body#/{id_.removesuffix('id')}{name}" for name in names}
    return {**same, "trials": _TRIALS, "batches": _BATCHES, "reason": "mistyped"}


# Links that carry a body: what a schema alone can't make up, such as the arms of this question. Each is followed as it
# stands, and with the rest made up around it. From, status, to, parameters, body.
_STEPS: list[tuple[str, str, str, dict[str, str], dict[str, Any] | None]] = [
    ("create_contributor", "201", "create_question", {}, QUESTION),
    ("create_question", "201", "create_protocol", {"path.slug": "$response.body#/slug"}, _PROTOCOL),
    ("create_protocol", "201", "create_replication", {}, {**_HERE, "state": "registered", "batches": _BATCHES}),
    ("create_protocol", "201", "create_replication", {}, {**_HERE, "trials": _TRIALS}),
    ("create_protocol", "201", "check_replication", {}, {**_HERE, "trials": _TRIALS, "batches": _BATCHES}),
    *(
        step
        for source, status, id_, tag in (
            ("create_replication", "201", "id", "$response.header.ETag"),
            ("revise_replication", "200", "id", "$response.header.ETag"),
            ("list_my_replications", "200", "items/0/id", '"r{$response.body#/items/0/revision}"'),
        )
        for named in [{"path.replication_id": f"$response.body#/{id_}"}]
        for step in (
            (source, status, "revise_replication", {**named, "header.If-Match": tag}, _beside(id_)),
            (source, status, "open_trial", named, _OPENING),
            (source, status, "withdraw_replication", named, {"category": "mixed_up", "reason": "swapped"}),
            (source, status, "submit_replication", named, None),
        )
    ),
    ("open_trial", "201", "read_pour_sheet", _POURING, None),
    ("open_trial", "201", "close_trial_as_helper", _POURING, None),
    ("open_trial", "201", "read_turn", _tasting(0), None),
    ("open_trial", "201", "read_turn", _tasting(1), None),
    (
        *("read_turn", "200", "answer_set", _SAME_SECRET),
        {"presentation": "$response.body#/presentation", "chosen_codes": ["$response.body#/codes/0"]},
    ),
    ("answer_set", "200", "read_turn", _SAME_SECRET, None),
    (
        *("list_questions", "200", "merge_question", {"path.slug": "$response.body#/items/0/slug"}),
        {"into": "$response.body#/items/1/slug", "reason": "the same"},
    ),
]


@dataclass
class Found:
    """What a run sent, and what it found."""

    sent: int = 0
    answers: Counter[tuple[str, int]] = field(default_factory=Counter)
    failures: dict[str, str] = field(default_factory=dict)

    def note(self, case, response) -> None:
        self.sent += 1
        self.answers[case.operation.label, response.status_code] += 1

    def fail(self, case, failure: Failure) -> None:
        body = "" if isinstance(case.body, type(schemathesis.core.NOT_SET)) else repr(case.body)[:600]
        said = f"{case.operation.label}: {failure.title}"
        self.failures.setdefault(said, f"{failure.message}\n{case.formatted_path} {case.query} {case.headers} {body}")

    @property
    def succeeded(self) -> set[str]:
        """The operations that did what they were asked at least once."""
        return {label for (label, status) in self.answers if status < 300}


def interface(text: dict[str, Any]):
    """Load the interface text, with the steps above beside its own links."""
    text = copy.deepcopy(text)
    operations = {each["operationId"]: each for methods in text["paths"].values() for each in methods.values()}
    for number, (source, status, target, parameters, body) in enumerate(_STEPS):
        links = operations[source]["responses"][status].setdefault("links", {})
        link = {"operationId": target, "parameters": parameters}
        if body is None:
            links[f"{target}_{number}"] = link
            continue
        for turn, around in enumerate((True, False, False)):
            merged = {"merge_body": around}
            links[f"{target}_{number}_{turn}"] = {**link, "requestBody": body, "x-schemathesis": merged}
    return schemathesis.openapi.from_dict(text, config=SchemathesisConfig.from_dict(_CONFIG))


class Crowd:
    """Who sends: mostly one person, sometimes another, a steward or nobody; who leaves is somebody new each time."""

    def __init__(self, community: Community, steward: Person, seed: int) -> None:
        self.community, self.steward = community, steward
        self.draw = random.Random(seed)  # noqa: S311  # any choice will do
        self.meet()

    def meet(self) -> None:
        """Let somebody new come, who has asked a question and registered a replication."""
        self.other, self.owner = getattr(self, "owner", self.steward), self.community.person()
        slug = self.community.asked(self.owner, trial=PROTOCOL_TRIAL)
        self.community.submitted(self.owner, registration(slug))

    def headers_for(self, case) -> dict[str, str]:
        if case.operation.path.startswith("/v1/me") and case.method != "GET":
            return self.community.person().headers
        (who,) = self.draw.choices([self.owner, self.other, self.steward, None], [16, 2, 2, 1])
        return dict(who.headers) if who else {}


def one_by_one(schema, url: str, crowd: Crowd, named: dict[str, Any], found: Found, each: int, seed: int) -> None:
    """Send every operation some made-up requests of its own, mostly on things that are there."""
    session = requests.Session()
    for result in schema.get_all_operations():
        operation = result.ok()

        @hypothesis.seed(seed)
        @_settings(max_examples=each)
        @hypothesis.given(case=operation.as_strategy())
        def send(case):
            if crowd.draw.random() < 0.8:
                given = case.path_parameters or {}
                case.path_parameters = {name: named.get(name, value) for name, value in given.items()}
            _sent(case, url, crowd, session, found)

        send()


def walks(schema, url: str, crowd: Crowd, found: Found, until: int, steps: int, seed: int) -> None:
    """Walk along the links, each walk from one request to the next that its answer leads to, until so many are sent."""
    session = requests.Session()

    class Walk(schema.as_state_machine()):
        def setup(self):
            crowd.meet()

        def call(self, case, **_):
            self.sent_with = {"headers": crowd.headers_for(case), "session": session}
            return case.call(base_url=url, **self.sent_with)

        def after_call(self, response, case):
            found.note(case, response)
            super().after_call(response, case)

        def validate_response(self, response, case, **_):
            _validated(case, response, found, self.sent_with, EXCLUDED_IN_WALKS, recorder=self.recorder)

    while found.sent < until:
        seed += 1
        # The record remembers earlier walks, so a walk begun anew may go elsewhere: then the next one is begun.
        with suppress(FlakyStrategyDefinition):
            hypothesis.seed(seed)(Walk).run(settings=_settings(max_examples=20, stateful_step_count=steps))


def _settings(**given: Any) -> hypothesis.settings:
    return hypothesis.settings(
        phases=[Phase.generate], deadline=None, database=None, suppress_health_check=list(HealthCheck), **given
    )


def _sent(case, url: str, crowd: Crowd, session: requests.Session, found: Found) -> None:
    given = {"headers": crowd.headers_for(case), "session": session}
    response = case.call(base_url=url, **given)
    found.note(case, response)
    _validated(case, response, found, given, EXCLUDED)


def _validated(case, response, found: Found, given: dict[str, Any], excluded: list[Any], **beside: Any) -> None:
    try:
        case.validate_response(response, excluded_checks=excluded, transport_kwargs=given, **beside)
    except FailureGroup as group:
        for failure in group.exceptions:
            found.fail(case, failure)
    except Failure as failure:
        found.fail(case, failure)
