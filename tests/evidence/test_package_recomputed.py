"""A reader with the package's tables alone comes to the numbers of its answer, by somebody else's statistics.

Exact tests and Student's intervals are statsmodels' (`binom_test`, `DescrStatsW`); the any-time evidence, which it
lacks, is our science's over the tables' figures.
"""

import csv
import io
import json
import zipfile
from collections import defaultdict
from itertools import count

import numpy as np
import pytest
from statsmodels.stats.proportion import binom_test
from statsmodels.stats.weightstats import DescrStatsW

from service.evidence.package import write_package
from service.record import contributors, ledger, replications
from service.record.erasure import erase
from service.science.discrimination import METHODS
from service.science.pooling.any_time import e_process
from service.science.pooling.any_time_t import any_time_t
from tests.record import builders

GUESS = METHODS["triangle"].guess_probability
PLAN = {"method": "triangle", "presentations": 12, "control": "control", "treatment": "treatment"}
_numbers = count()


@pytest.fixture
def package(database):
    """The tables and the answer of a question to which everything has happened that a row of robustness tells of."""
    with database.write() as session:
        steward = builders.contributor(session, steward=True)
        question = builders.question(session, steward)

        def sent(correct, by=None, **told):
            by = by or builders.contributor(session)
            rows = [
                builders.observation(correct=correct, **told),
                gravity(-0.001 * (correct - 4) - 0.0001 * next(_numbers), **told),
            ]
            return builders.replication(session, question, by, plan=PLAN, observations=rows)

        def begun(by=None, **plan):
            by = by or builders.contributor(session)
            return builders.replication(session, question, by, state="registered", plan=PLAN | plan)

        twice = builders.contributor(session)
        for correct, told in (
            (8, {"sealed": True, "registered": True, "conditions_met": True}),
            (7, {"sealed": True, "conditions_met": False}),
            (9, {"registered": True, "conditions_met": True, "moderators": {"still": "pot"}}),
            (5, {"registered": True, "moderators": {"still": "column"}}),
            (10, {"outside_the_test": "answers were told on the way"}),
            *(
                (correct, {"moderators": {"still": still}})
                for correct, still in zip((6, 3, 8, 5), ("pot", "column") * 2, strict=True)
            ),
        ):
            sent(correct, **told)
        sent(7, by=twice, registered=True)
        sent(4, by=twice)
        contributors.vouch(session, contributor=twice, steward=steward)
        taken_out = sent(12)
        replications.retract(session, replication=taken_out, steward=steward, category="fabricated", reason="so")
        gone = builders.contributor(session)
        sent(11, by=gone)
        erase(session, gone)
        begun()
        begun(presentations=20)
        begun(by=twice)
        given_up = begun()
        replications.withdraw(session, replication=given_up, category="consent", reason="moved house", answered=False)
        target = io.BytesIO()
        write_package(session, question, ledger.last_position_of(session, question.id), target)
    with zipfile.ZipFile(target) as opened:
        tables = {
            name: list(csv.DictReader(io.StringIO(opened.read(name).decode(), newline="")))
            for name in opened.namelist()
            if name.endswith(".csv")
        }
        return tables, json.loads(opened.read("evidence.json"))


def gravity(difference, **told):
    counts = dict.fromkeys(("method", "presented", "correct", "assessors"))
    own = {"outcome": "final_sg", "difference": difference, "variance": 2e-6, "outside_the_test": None}
    return builders.observation(**counts | told | own)


def rows_of(tables, outcome):
    return [row for row in tables["observations.csv"] if row["outcome"] == outcome and row["sham"] == "false"]


def silent(tables):
    return [row for row in tables["replications.csv"] if not row["submitted_position"] or row["erased_position"]]


def choices(rows):
    """The rows that each row of robustness counts, of those that stand and of those that were retracted."""
    standing = [row for row in rows if row["retracted"] == "false"]
    return standing, {
        "registered_only": [row for row in standing if row["registered"] == "true"],
        "vouched_only": [row for row in standing if row["vouched"] == "true"],
        "conditions_met_only": [row for row in standing if row["conditions_met"] == "true"],
        "with_retracted": rows,
    }


def assert_tasted(counts, said):
    """Hold (household, presented, correct) rows against a row of robustness."""
    households = defaultdict(lambda: [0, 0])
    for household, presented, correct in counts:
        households[household][0] += presented
        households[household][1] += correct
    presented, correct = (sum(each[place] for each in households.values()) for place in (0, 1))
    assert (said["households"], said["presentations"], said["correct"]) == (len(households), presented, correct)
    if not counts:
        assert said["p_value"] is None
        return
    assert said["p_value"] == pytest.approx(binom_test(correct, presented, GUESS, alternative="larger"), rel=1e-9)
    shares = [each_correct / each_presented for each_presented, each_correct in households.values()]
    mean = (DescrStatsW(shares).mean - GUESS) / (1 - GUESS)
    if said["proportion_discriminating"] is not None:
        assert said["proportion_discriminating"]["estimate"] == pytest.approx(max(mean, 0.0), abs=1e-12)
    numbered = {household: number for number, household in enumerate(households)}
    names, sets, right = zip(*counts, strict=True)
    found = e_process(
        np.array(right), np.array(sets), np.full(len(sets), GUESS), np.array([numbered[each] for each in names])
    )
    assert said["e_value"] == pytest.approx(found.e_value, rel=1e-9)


def counts_of(rows):
    return [(row["household"], int(row["presented"]), int(row["correct"])) for row in rows]


def _in_short(said):
    """The answer's own figures in the shape of a row of robustness; its mean is a model's, and fitted elsewhere."""
    return {
        **{name: said[name] for name in ("households", "presentations", "correct")},
        "p_value": said["nobody_can_tell"]["p_value"],
        "e_value": said["any_time"]["e_value"],
        "proportion_discriminating": None,
    }


def test_blind_trials_come_to_the_same(package):
    tables, evidence = package
    said = evidence["perceivable_difference"]
    standing, chosen = choices(rows_of(tables, "perceivable_difference"))
    inside = [row for row in standing if not row["outside_the_test"]]
    assert_tasted(counts_of(inside), _in_short(said))
    robustness = said["robustness"]
    for name, rows in chosen.items():
        assert_tasted(counts_of([row for row in rows if not row["outside_the_test"]]), robustness[name])
    assert_tasted(counts_of([row for row in inside if row["sealed"] == "true"]), robustness["sealed_only"])
    strict = [row for row in inside if "true" in {row["sealed"], row["registered"]}]
    assert_tasted(counts_of(strict), robustness["sealed_or_registered_only"])
    assert_tasted(counts_of(standing), robustness["with_outside_the_test"])
    guessing = [
        (row["household"], int(row["plan_presentations"]), round(int(row["plan_presentations"]) * GUESS))
        for row in silent(tables)
    ]
    assert len(guessing) == 5
    assert_tasted(counts_of(inside) + guessing, robustness["silent_as_chance"])
    for each in robustness["by_condition"]:
        kept = [row for row in inside if json.loads(row["moderators"]).get(each["condition"]) == each["value"]]
        assert_tasted(counts_of(kept), each)
    assert robustness["by_condition"]


def test_what_was_measured_comes_to_the_same(package):
    tables, evidence = package
    said = evidence["measured"]["final_sg"]
    standing, chosen = choices(rows_of(tables, "final_sg"))

    def means(rows, also=()):
        households = defaultdict(list)
        for household, value in [*((row["household"], float(row["difference"])) for row in rows), *also]:
            households[household].append(value)
        return np.array([np.mean(values) for values in households.values()])

    found = DescrStatsW(means(standing))
    low, high = found.tconfint_mean()
    assert (said["households"], said["estimate"]) == (found.nobs, pytest.approx(found.mean, rel=1e-9))
    assert (said["low"], said["high"]) == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))
    assert said["standard_error"] == pytest.approx(found.std_mean, rel=1e-9)
    assert said["sd_between_households"] == pytest.approx(found.std_ddof(1), rel=1e-9)
    assert said["p_value"] == pytest.approx(found.ttest_mean()[1], rel=1e-9)
    zeros = [(row["household"], 0.0) for row in silent(tables)]
    rows = {name: means(rows) for name, rows in chosen.items()} | {"silent_as_zero": means(standing, zeros)}
    for name, values in rows.items():
        row = said["robustness"][name]
        assert row["households"] == len(values)
        expected = any_time_t(values)
        for name_, figure in (("estimate", values.mean()), ("low", expected.low), ("high", expected.high)):
            assert row[name_] is None if figure is None else row[name_] == pytest.approx(figure, rel=1e-9)


def test_what_was_started_and_reported_comes_to_the_same(package):
    tables, evidence = package
    counted = evidence["counted"]
    started = tables["replications.csv"]
    assert counted["started"] == len(started)
    assert counted["reported"] == len(started) - len(silent(tables))
    standing = [row for row in tables["observations.csv"] if row["retracted"] == "false" and row["sham"] == "false"]
    assert counted["replications"] == len({row["replication"] for row in standing})
    assert counted["households"] == len({row["household"] for row in standing})
    tasted = [row for row in standing if row["outcome"] == "perceivable_difference"]
    assert counted["presentations"] == sum(int(row["presented"]) for row in tasted)
    assert counted["assessors"] == sum(int(row["assessors"]) for row in tasted)
    left_out = {each["reason"]: each["count"] for each in counted["left_out"]}
    states = defaultdict(int)
    for row in started:
        states[row["state"]] += 1
    assert left_out == {
        "withdrawn": states["withdrawn"],
        "retracted": states["retracted"],
        "erased": states["erased"],
        "started, not reported": states["registered"],
    }
