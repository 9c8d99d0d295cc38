"""Short ways to say what a record held about a question, without a database. Everything is invented."""

import itertools
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime
from uuid import UUID

import numpy as np

from service.evidence.answer import answer_from
from service.evidence.collect import Collected, Held, choose
from service.evidence.filters import Filters
from service.record.observation_columns import OBSERVATION_COLUMNS, Observations, nothing_observed
from service.record.reports import Leanings
from service.record.rows import ProtocolVersion, RecordedObservation, Start
from service.record.start_columns import START_COLUMNS, Starts, nothing_started
from service.record.tables import Question

EVERYTHING = Filters()
AT = datetime(2026, 6, 1, 12, tzinfo=UTC)
PROTOCOL_POSITION = 2
FIRST_RESULT = 10
POSITION = 900
_QUESTION = UUID(int=1)
_ids = itertools.count(1)

ARMS = [
    {"key": "control", "label": "Left cloudy", "is_control": True, "description": ""},
    {"key": "treatment", "label": "Cleared", "is_control": False, "description": ""},
    {"key": "fined", "label": "Fined", "is_control": False, "description": ""},
]


def question(**given) -> Question:
    values = {
        "id": _QUESTION,
        "slug": "clearing",
        "title": "Does clearing matter?",
        "background": "",
        "factor": "clearing",
        "stage": "ferment",
        "arms": ARMS,
        "status": "open",
        "author_id": UUID(int=2),
        "position": 1,
        "created_at": AT,
    }
    return Question(**values | given)


def protocol(version=1, position=PROTOCOL_POSITION, **document) -> ProtocolVersion:
    values = {
        "split_point": "spirit",
        "outcomes": [{"outcome": "perceivable_difference", "primary": True}],
        **document,
    }
    return ProtocolVersion(_QUESTION, version, UUID(int=2), position, AT, values)


def aiming_at(outcome, smallest=None, **document) -> ProtocolVersion:
    goal = {"outcome": outcome, "primary": True, "smallest_difference_that_matters": smallest}
    beside = [] if outcome == "perceivable_difference" else [{"outcome": "perceivable_difference", "primary": False}]
    return protocol(outcomes=[goal, *beside], **document)


def row(household=1, **given) -> RecordedObservation:
    """One observation; each household has one replication unless another number is given."""
    number = next(_ids)
    replication = given.pop("replication", household)
    values = {
        "control": "control",
        "treatment": "treatment",
        "outcome": "perceivable_difference",
        "id": number,
        "question_id": _QUESTION,
        "replication_id": UUID(int=1000 + replication),
        "household_id": UUID(int=household),
        "contributor_id": UUID(int=household),
        "protocol_version": 1,
        "entered_position": FIRST_RESULT + replication,
        "left_position": None,
        "left_reason": None,
        "vouched": False,
    }
    return RecordedObservation(**values | given)


def tasted(household, correct, presented=12, method="triangle", **given) -> RecordedObservation:
    return row(household, method=method, correct=correct, presented=presented, **{"assessors": 1} | given)


def measured(household, difference, outcome="final_sg", control_value=1.004, **given) -> RecordedObservation:
    details = {"control_value": control_value, "treatment_value": control_value + difference}
    return row(household, outcome=outcome, difference=difference, **{"variance": 2e-6, "details": details} | given)


def liked(household, control, treatment, neither=0, **given) -> RecordedObservation:
    details = {"control": control, "treatment": treatment, "neither": neither}
    return row(household, outcome="preference", presented=sum(details.values()), details=details, **given)


def ticks(household, **terms) -> RecordedObservation:
    """Words with their counts: both, only the control, only the treatment, neither."""
    names = ("both", "only_control", "only_treatment", "neither")
    said = [{"term": term, **dict(zip(names, counts, strict=True))} for term, counts in terms.items()]
    return row(household, outcome="descriptors", details={"terms": said})


def dried(household, *, control, treatment, **given) -> RecordedObservation:
    return row(household, outcome="reached_dryness", control_event=control, treatment_event=treatment, **given)


def retracted(observation) -> RecordedObservation:
    return replace(observation, left_position=observation.entered_position + 1, left_reason="retracted")


def start(replication, household=None, state="submitted", **given) -> Start:
    position = FIRST_RESULT + replication
    reached = {"registered_position": position} if state in {"registered", "withdrawn"} else {}
    if state in {"submitted", "retracted", "erased"}:
        reached["submitted_position"] = position
    values = {
        "replication_id": UUID(int=1000 + replication),
        "household_id": UUID(int=replication if household is None else household),
        "contributor_id": UUID(int=replication if household is None else household),
        "protocol_version": 1,
        "plan": {"method": "triangle", "presentations": 12, "control": "control", "treatment": "treatment"},
        "state": state,
        "started_position": position,
        "registered_position": None,
        "submitted_position": None,
        "withdrawal_asked_position": None,
        "withdrawn_position": position + 1 if state == "withdrawn" else None,
        "retracted_position": position + 1 if state == "retracted" else None,
        "erased_position": position + 1 if state == "erased" else None,
        "vouched": False,
    }
    return Start(**values | reached | given)


def starts_of(rows: Iterable[RecordedObservation]) -> list[Start]:
    """The submissions that these rows came from."""
    seen = {each.replication_id: each for each in rows}
    return [
        start(
            each.replication_id.int - 1000,
            each.household_id.int,
            "retracted" if each.left_reason == "retracted" else "submitted",
        )
        for each in seen.values()
    ]


def held(
    rows: Sequence[RecordedObservation] = (),
    *,
    protocols: Sequence[ProtocolVersion] | None = None,
    starts: Sequence[Start] | None = None,
    also: Sequence[Start] = (),
    **given,
) -> Held:
    """What the record held; `also` are starts beside those of the rows."""
    values = {
        "question": question(),
        "protocols": [protocol()] if protocols is None else protocols,
        **_as_held(rows, [*(starts_of(rows) if starts is None else starts), *also]),
        "leanings": Leanings(0, 0, 0),
        "position": POSITION,
        "root_hash": "ab" * 32,
        "at": AT,
    }
    return Held(**values | given)


def _as_held(rows: Sequence[RecordedObservation], starts: Sequence[Start]) -> dict:
    """Put rows and starts into columns, as a record's rows come."""
    own = {each.replication_id: each for each in starts}
    beside = {row.replication_id: row for row in rows if row.replication_id not in own}
    vouched = {row.replication_id for row in rows if row.vouched}
    hidden = [start(0, replication_id=each, household_id=row.household_id) for each, row in beside.items()]
    every = [_of_start(each, vouched) for each in (*starts, *hidden)]
    columns = nothing_started().with_fresh([every] if every else [])
    observed = nothing_observed(_QUESTION).with_fresh([[_of_row(row) for row in rows]] if rows else [], columns, -1)
    return {
        "rows": Observations(observed, columns, np.arange(len(rows)), POSITION),
        "starts": Starts(columns, np.arange(len(starts)), POSITION),
    }


def _of_start(start: Start, vouched: set[UUID]) -> list:
    values = asdict(start) | {
        "id": str(start.replication_id),
        "question_id": str(_QUESTION),
        "contributor_id": str(start.contributor_id),
        "household_id": str(start.household_id),
        "plan": json.dumps(start.plan),
        "vouched_position": 1 if start.vouched or start.replication_id in vouched else None,
    }
    return [values[name] for name in START_COLUMNS]


def _of_row(row: RecordedObservation) -> list:
    values = asdict(row) | {
        "replication_id": str(row.replication_id),
        "details": json.dumps(row.details),
        "flags": json.dumps(row.flags),
        "moderators": json.dumps(row.moderators),
    }
    return [values[name] for name in OBSERVATION_COLUMNS]


def collected(rows: Sequence[RecordedObservation] = (), filters=EVERYTHING, **given) -> Collected:
    return choose(held(rows, **given), filters)


def answered(rows: Sequence[RecordedObservation] = (), filters=EVERYTHING, **given) -> dict:
    """The answer as it is sent."""
    return json.loads(answer_from(collected(rows, filters, **given)).model_dump_json())


def telling(households=10, correct=10, **given) -> list[RecordedObservation]:
    """Households that can tell, each in its own number of sets."""
    return [tasted(each, correct - each % 2, **given) for each in range(1, households + 1)]


def guessing(households=10, **given) -> list[RecordedObservation]:
    return [tasted(each, (2, 3, 4, 5, 6)[each % 5], **given) for each in range(1, households + 1)]


def apart(households=10, mean=-0.006, step=0.0005, **given) -> list[RecordedObservation]:
    """Households whose differences lie evenly about a mean."""
    middle = (households - 1) / 2
    return [measured(each + 1, mean + step * (each - middle), **given) for each in range(households)]
