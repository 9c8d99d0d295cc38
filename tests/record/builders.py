"""Short ways to fill a record with rows whose content doesn't matter."""

import itertools

from service.record import contributors, questions, replications
from service.record.rows import ObservationRow, TrialRow

ARMS = [
    {"key": "control", "label": "as usual", "is_control": True, "description": ""},
    {"key": "treatment", "label": "changed", "is_control": False, "description": ""},
]
_numbers = itertools.count(1)


def contributor(session, **given):
    number = next(_numbers)
    return contributors.create(session, **{"display_name": f"Brewer {number}", "token_hash": f"{number:064x}"} | given)


def question(session, author, **given):
    number = next(_numbers)
    values = {
        "slug": f"question-{number}",
        "title": "Does clearing the wash change the spirit?",
        "background": "Some say that yeast scorches.",
        "factor": "clearing",
        "stage": "distil",
        "arms": ARMS,
    }
    made = questions.add(session, author=author, **values | given)
    questions.add_protocol(session, question=made, author=author, document={"summary": "Run both."})
    return made


def observation(**given):
    values = {"outcome": "perceivable_difference", "method": "triangle", "presented": 12, "correct": 6, "assessors": 1}
    return ObservationRow(**{"control": "control", "treatment": "treatment"} | values | given)


def trial(**given):
    values = {"method": "triangle", "presented": 12, "correct": 6, "assessors": 1}
    return TrialRow(**{"control": "control", "treatment": "treatment"} | values | given)


def replication(session, asked, by, **given):
    values = {
        "protocol_version": 1,
        "plan": {"method": "triangle", "presentations": 12},
        "state": "submitted",
        "document": {"question": asked.slug, "notes": f"run {next(_numbers)}"},
        "fingerprint": f"{next(_numbers):064x}",
    }
    values |= {"trials": [trial()], "observations": [observation()]} if given.get("state") != "registered" else {}
    return replications.start(session, question=asked, contributor=by, **values | given)
