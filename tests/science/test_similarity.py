import numpy as np
import pytest
from scipy import stats

from service.science.discrimination import METHODS, similarity
from service.science.errors import InputError
from tests.science.trial_figures import METHOD_FOR_GUESS, rows

CONFIRMED = [row for row in rows("similarity_max_correct.csv") if row["agreement"] == "agree"]


def test_every_confirmed_most_correct_allowed():
    """GOST R 53161-2008 table A.3; the cells that differ there are recomputed below."""
    assert len(CONFIRMED) == 44
    for row in CONFIRMED:
        found = similarity(
            METHOD_FOR_GUESS[row["p0"]],
            int(row["n"]),
            0,
            largest_tolerable_discriminating=float(row["pd_percent"]) / 100,
            confidence=1 - float(row["beta"]),
        )
        assert found.most_correct_allowed == (None if row["published_value"] == "none" else int(row["published_value"]))


def test_where_the_printed_table_differs_the_exact_tail_decides():
    differing = [row for row in rows("similarity_max_correct.csv") if row["agreement"] != "agree"]
    assert len(differing) == 6
    for row in differing:
        presented, limit, beta = int(row["n"]), float(row["pd_percent"]) / 100, float(row["beta"])
        most = int(row["max_correct_exact"])
        at_limit = 0.5 + 0.5 * limit
        assert stats.binom.cdf(most, presented, at_limit) <= beta < stats.binom.cdf(most + 1, presented, at_limit)
        found = similarity("duo_trio", presented, 0, largest_tolerable_discriminating=limit, confidence=1 - beta)
        assert found.most_correct_allowed == (most if most >= presented / 2 else None)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("limit", [0.2, 0.3, 0.5])
def test_the_test_and_the_upper_bound_agree(method, limit):
    for presented in (10, 36, 72):
        answers = np.arange(presented + 1)
        found = similarity(method, presented, answers, largest_tolerable_discriminating=limit)
        bounded = found.proportion_discriminating_upper <= limit
        concludes = np.array([most is not None for most in found.most_correct_allowed])
        assert np.array_equal(found.similar, bounded & concludes)


def test_no_count_may_conclude_from_a_short_trial():
    found = similarity("triangle", 12, 0)
    assert found.most_correct_allowed is None
    assert not found.similar


def test_a_difference_and_similarity_can_both_be_shown():
    """Triangle, n = 36: 18 correct is significant at 5 % and allowed at a limit of 0.5."""
    assert similarity("triangle", 36, 18, largest_tolerable_discriminating=0.5).most_correct_allowed == 18


def test_for_whom_it_holds():
    assert similarity("triangle", 36, 10).holds_for == "this taster and these two batches"
    assert similarity("triangle", 36, 10, 36).holds_for == "tasters like these and these two batches"


@pytest.mark.parametrize("tasters", [12, 37])
def test_several_tasters_with_repeats_are_refused(tasters):
    with pytest.raises(InputError, match="one presentation each") as refusal:
        similarity("triangle", 36, 10, tasters)
    assert refusal.value.field == "tasters"


def test_the_row_at_fault_is_named():
    with pytest.raises(InputError) as refusal:
        similarity("triangle", np.array([36, 36]), 10, np.array([36, 12]))
    assert refusal.value.index == 1
