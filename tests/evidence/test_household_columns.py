import random
from itertools import product
from statistics import fmean

import numpy as np
import pytest

from service.evidence.aims import PERCEIVABLE
from service.evidence.household_columns import Averaged, chosen_rows, means, sums, trial_rows
from service.record.words import numbered
from service.science.pooling.household_counts import rows_of
from service.science.pooling.trial_results import TrialStudy
from tests.evidence.builders import collected, measured, tasted


@pytest.fixture
def households():
    draw = random.Random(4)  # noqa: S311  # a seeded order, no secret
    return np.array([draw.choice([7, 3, 30, 12, 5]) for _ in range(40)], dtype=np.int32)


def test_households_are_averaged_and_added_up(households):
    values = np.linspace(-1.0, 2.0, len(households)) ** 3
    by_household = {}
    for household, value in zip(households.tolist(), values.tolist(), strict=True):
        by_household.setdefault(household, []).append(value)
    assert means(households, values) == pytest.approx([fmean(each) for each in by_household.values()], rel=1e-12)
    assert sums(households, values) == pytest.approx([sum(each) for each in by_household.values()], rel=1e-12)
    nothing = np.empty(0)
    assert len(means(nothing.astype(np.int32), nothing)) == len(sums(nothing.astype(np.int32), nothing)) == 0


def test_trials_are_laid_out_as_the_science_lays_them_out():
    rows = [
        tasted(household, correct, method=method, replication=replication)
        for replication, (household, correct, method) in enumerate(
            [(4, 8, "tetrad"), (2, 3, "triangle"), (4, 9, "triangle"), (9, 5, "tetrad")], 1
        )
    ]
    found = trial_rows(collected(rows).of(PERCEIVABLE))
    meant = rows_of(
        [TrialStudy(str(row.id), row.method, row.presented, row.correct, str(row.household_id)) for row in rows]
    )
    for name in ("correct", "presented", "kind", "guess", "household"):
        assert getattr(found, name).tolist() == getattr(meant, name).tolist(), name
    assert (found.methods, found.households) == (meant.methods, meant.households)


@pytest.mark.parametrize("householders", [[4, 2, 4, 9, 2, 7, 4, 5], list(range(8))])
def test_a_choice_of_rows_is_laid_out_and_averaged_as_if_only_those_had_come(householders):
    methods = ["tetrad", "triangle", "triangle", "triangle", "tetrad", "triangle", "tetrad", "triangle"]
    trials = collected(
        [
            tasted(household, 4 + household % 5, method=method)
            for household, method in zip(householders, methods, strict=True)
        ]
    ).of(PERCEIVABLE)
    measured_rows = collected([measured(household, 0.1 * place**2) for place, household in enumerate(householders)])
    differences = measured_rows.of("final_sg")
    laid, averaged = trial_rows(trials), Averaged(differences)
    for kept in np.array(list(product([False, True], repeat=8))[::7]):
        found, meant = chosen_rows(laid, kept), trial_rows(trials.where(kept))
        for name in ("correct", "presented", "kind", "guess"):
            assert getattr(found, name).tolist() == getattr(meant, name).tolist(), name
        assert (found.methods, found.households) == (meant.methods, meant.households)
        assert numbered(found.household)[0].tolist() == meant.household.tolist()
        chosen = differences.where(kept)
        assert sorted(averaged.of(kept)) == pytest.approx(sorted(means(chosen.household, chosen.number("difference"))))
