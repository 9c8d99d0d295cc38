"""What the generated documents come down to, reckoned here from the plain values alone."""

import numpy as np

from service.science.pooling.any_time import EProcess, e_process
from service.science.pooling.any_time_t import AnyTimeT, any_time_t

GUESS = 1 / 3


def by_report(replications):
    return sorted(replications, key=lambda each: each.reported_at)


def final_sg(document, arm):
    return float(np.mean([batch["final_sg"] for batch in document["batches"] if batch["arm"] == arm]))


def differences(replications):
    documents = [each.document for each in by_report(replications)]
    return [final_sg(document, "treatment") - final_sg(document, "control") for document in documents]


def counts(trial):
    return (
        sum(taster["correct"] for taster in trial["assessors"]),
        sum(taster["presented"] for taster in trial["assessors"]),
    )


def in_the_test(trial):
    if trial["told_during"] or trial["key_held_by"] == "taster":
        return False
    return len(trial["assessors"]) > 1 or trial["order_draw"] == "each_afresh"


def main_trials(replications):
    return [each.document["trials"][0] for each in by_report(replications)]


def tasted(replications) -> EProcess:
    pooled = [counts(trial) for trial in main_trials(replications) if in_the_test(trial)]
    correct, presented = zip(*pooled, strict=True)
    return e_process(correct, presented, GUESS)


def measured(replications) -> AnyTimeT:
    return any_time_t(differences(replications))
