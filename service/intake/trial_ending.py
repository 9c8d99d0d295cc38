"""The end of a sealed trial: the key is opened, the answers are set against it, and the ledger has the result."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from service.intake.trial_keys import Key, sheet_of
from service.record import trials
from service.record.canonical import rfc3339
from service.record.rows import EndedBy, TrialAnswer
from service.record.trial_tables import SealedTrial
from service.science.serving import Presentation, is_right

_BOTH_WAYS = {
    (True, True): "both",
    (True, False): "only_control",
    (False, True): "only_treatment",
    (False, False): "neither",
}


def end(session: Session, trial: SealedTrial, ended_by: EndedBy) -> SealedTrial:
    """End an open trial that the transaction has locked; sets answered so far count."""
    salt, key = trials.unsealed(session, trial)
    given = trials.answers(session, trial)
    tasters = trials.tasters(session, trial)
    sheets = {taster.id: sheet_of(key, taster.assessor) for taster in tasters}
    answered = [
        _scored(taster.assessor, sheets[taster.id][answer.presentation], answer)
        for taster in tasters
        for answer in given.get(taster.id, [])
    ]
    content = {
        "trial": str(trial.id),
        "replication": str(trial.replication_id),
        "ended_by": ended_by,
        "salt": salt,
        "key": key,
        "answers": answered,
        "result": _result(trial, len(tasters), key, answered),
    }
    return trials.close(session, trial=trial, ended_by=ended_by, content=content)


def end_if_finished(session: Session, trial: SealedTrial) -> None:
    """End a trial whose last taster has given the last answer."""
    given = trials.answers(session, trial)
    if all(len(given.get(taster.id, [])) == trial.presentations for taster in trials.tasters(session, trial)):
        end(session, trial, "tasters")


def end_if_due(session: Session, trial_id: UUID) -> SealedTrial:
    """Lock a trial, and end it by its age where it has been open for as long as one may be."""
    trial = trials.locked(session, trial_id)
    return end(session, trial, "age") if trials.is_due(session, trial) else trial


def end_all(session: Session, replication_id: UUID, ended_by: EndedBy) -> None:
    """End whatever trial of a replication is open, with the replication locked."""
    for trial in trials.locked_with_replication(session, replication_id):
        if trial.closed_position is None:
            end(session, trial, "age" if trials.is_due(session, trial) else ended_by)


def _scored(assessor: str, served: Presentation, answer: TrialAnswer) -> dict[str, Any]:
    return {
        "taster": assessor,
        "presentation": answer.presentation,
        **answer.answer,
        "right": is_right(served, answer.answer["chosen_codes"]),
        "answered_at": rfc3339(answer.answered_at),
    }


def _result(trial: SealedTrial, tasters: int, key: Key, answered: list[dict[str, Any]]) -> dict[str, Any]:
    counts: dict[str, dict[str, Any]] = {}
    for each in answered:
        count = counts.setdefault(each["taster"], {"assessor": each["taster"], "presented": 0, "correct": 0})
        count["presented"] += 1
        count["correct"] += each["right"]
    poured_at = trial.pour_sheet_opened_at
    first = min((each["answered_at"] for each in answered), default=None)
    return {
        "tasters": tasters,
        "assessors": list(counts.values()),
        "first_answer_at": first,
        "preferred": _preferred(trial, key, answered),
        "descriptors": _ticked(trial, key, answered),
        "pour_sheet_openings": trial.pour_sheet_openings,
        "answered_before_pouring": sum(_is_before(each["answered_at"], poured_at) for each in answered),
    }


def _is_before(answered_at: str, poured_at: datetime | None) -> bool:
    return poured_at is None or datetime.fromisoformat(answered_at) < poured_at


def _arms(key: Key) -> dict[tuple[str, int], dict[str, str]]:
    """Return the arm under each code, by taster and set: codes come again in a long trial."""
    return {
        (each["taster"], each["presentation"]): {glass["code"]: glass["arm"] for glass in each["glasses"]}
        for each in key["presentations"]
    }


def _preferred(trial: SealedTrial, key: Key, answered: Iterable[Mapping[str, Any]]) -> dict[str, int] | None:
    if not trial.serving["preference"]:
        return None
    sides = {trial.control: "control", trial.treatment: "treatment"}
    counts = {"control": 0, "treatment": 0, "neither": 0}
    arms = _arms(key)
    for each in answered:
        if "preferred_code" in each:
            code = each["preferred_code"]
            counts["neither" if code is None else sides[arms[each["taster"], each["presentation"]][code]]] += 1
    return counts


def _ticked(trial: SealedTrial, key: Key, answered: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Count for each word the sets in which it fitted both batches, one, or neither: any glass of a batch will do."""
    counts = {
        term: {"term": term, "both": 0, "only_control": 0, "only_treatment": 0, "neither": 0}
        for term in trial.serving["descriptors"]
    }
    arms = _arms(key)
    for each in answered:
        if "descriptors" not in each:
            continue
        under = arms[each["taster"], each["presentation"]]
        for term, count in counts.items():
            fitting = {under[code] for code, words in each["descriptors"].items() if term in words}
            count[_BOTH_WAYS[trial.control in fitting, trial.treatment in fitting]] += 1
    return list(counts.values())
