import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.science.discrimination import METHODS, significance
from service.science.errors import InputError
from service.science.pooling.trials import TrialStudy, pool_trials
from tests.science.pooling.figures import load

MIXED = load("binomial_random_effects.json")["sets"]["triangle_mixed_12"]
SEQUENTIAL = load("sequential.json")


def triangles(correct, presented, households=None, method="triangle"):
    names = households or [None] * len(correct)
    return [
        TrialStudy(f"row {i}", method, n, x, name)
        for i, (x, n, name) in enumerate(zip(correct, presented, names, strict=True))
    ]


@pytest.fixture(scope="module")
def mixed():
    return pool_trials(triangles(MIXED["counts_correct"], MIXED["counts_n"]))


def test_the_reference_pool(mixed):
    assert (mixed.households, mixed.presentations, mixed.correct) == (12, 212, 126)
    assert mixed.expected_by_chance == pytest.approx(212 / 3)
    assert mixed.nobody_can_tell.p_value == pytest.approx(MIXED["pooled"]["exact_binomial_p_upper"], rel=1e-10)
    assert mixed.fit.mu == pytest.approx(MIXED["mle"]["mu"], rel=1e-8)
    assert mixed.spread.sd == pytest.approx(MIXED["mle"]["tau"], rel=1e-8)
    share = MIXED["mle"]["mean_proportion_discriminating"]
    assert mixed.proportion_discriminating.estimate == pytest.approx(share, abs=1e-9)
    assert mixed.by_method[0].proportion_discriminating == mixed.proportion_discriminating
    assert mixed.withheld == ()


def test_the_any_time_evidence_of_the_reference_pool(mixed):
    example = SEQUENTIAL["example_triangle"]["random_effects_mixture"]
    assert mixed.any_time.log_path == pytest.approx(example["log_e"], rel=1e-10)
    assert mixed.any_time.words == "very strong"
    low, high = SEQUENTIAL["hedged_capital_example"]["interval_each_t"][-1]
    assert mixed.any_time.exact_interval.low == pytest.approx(low, abs=1e-10)
    assert mixed.any_time.exact_interval.high == pytest.approx(high, abs=1e-10)
    assert mixed.any_time.exact_interval.low < mixed.any_time.interval.low
    assert mixed.verdict == "real_but_may_be_too_small"


def test_mean_absolute_d_prime_stands_between_its_ends(mixed):
    assert mixed.d_prime.low < mixed.d_prime.estimate < mixed.d_prime.high
    folded = MIXED["dprime_models"]["folded"]["mle"]
    expected = stats.foldnorm(folded["mu"] / folded["tau"], scale=folded["tau"]).mean()
    assert mixed.d_prime.estimate == pytest.approx(expected, abs=1e-7)


def test_each_row_by_itself_is_the_exact_trial(mixed):
    for row in mixed.studies:
        alone = significance("triangle", row.presented, row.correct)
        assert row.d_prime.estimate == pytest.approx(alone.d_prime.estimate)
        assert row.d_prime.high == pytest.approx(alone.d_prime.high)
        assert row.proportion_discriminating.low == pytest.approx(alone.proportion_discriminating.low, abs=1e-12)


def test_leaving_out_keeps_the_order_and_the_evidence(mixed):
    assert [each.label for each in mixed.leave_one_out] == [f"row {i}" for i in range(12)]
    correct, presented = MIXED["counts_correct"][1:], MIXED["counts_n"][1:]
    without = pool_trials(triangles(correct, presented))
    first = mixed.leave_one_out[0]
    assert first.e_value == pytest.approx(without.any_time.e_value)
    assert first.p_value == pytest.approx(without.nobody_can_tell.p_value)
    assert first.estimate == pytest.approx(without.proportion_discriminating.estimate, abs=1e-8)


def test_leaving_out_may_be_left_out(mixed):
    quick = pool_trials(triangles(MIXED["counts_correct"], MIXED["counts_n"]), leave_out=False)
    assert quick.leave_one_out == ()
    assert (quick.fit, quick.d_prime, quick.any_time) == (mixed.fit, mixed.d_prime, mixed.any_time)


def test_a_households_rows_merge():
    whole = pool_trials(triangles([9, 14, 6, 11, 18], [18, 20, 18, 15, 24], list("abcde")))
    split = pool_trials(triangles([9, 4, 6, 11, 18, 10], [18, 8, 18, 15, 24, 12], list("abcdeb")))
    assert (split.households, len(split.studies)) == (5, 6)
    assert split.fit == whole.fit
    assert split.any_time.e_value == pytest.approx(whole.any_time.e_value, rel=1e-12)
    assert split.any_time.exact_interval == whole.any_time.exact_interval
    assert len(split.leave_one_out) == 5


def test_several_methods_share_one_scale():
    rows = [
        TrialStudy("a", "triangle", 24, 14),
        TrialStudy("b", "duo_trio", 20, 15),
        TrialStudy("c", "tetrad", 18, 11),
        TrialStudy("d", "two_afc", 12, 10),
        TrialStudy("e", "three_afc", 12, 8),
        TrialStudy("f", "triangle", 18, 9, "a kitchen"),
        TrialStudy("g", "tetrad", 12, 7, "a kitchen"),
    ]
    result = pool_trials(rows)
    assert result.households == 6
    assert result.proportion_discriminating.estimate is None
    assert result.spread.sd is None
    assert result.any_time.interval.low is None
    assert result.any_time.e_value > 20
    assert 0.0 < result.d_prime.low < result.d_prime.estimate < result.d_prime.high
    assert [pool.method for pool in result.by_method] == ["triangle", "duo_trio", "tetrad", "two_afc", "three_afc"]
    assert sum(pool.correct for pool in result.by_method) == result.correct
    assert {"proportion_discriminating", "spread", "any_time.interval"} <= {each.output for each in result.withheld}
    assert result.fit.model == "folded_d_prime"
    assert "mean d'" in result.reading


def test_leaving_out_a_household_of_several_methods_is_the_pool_without_it():
    rows = [
        TrialStudy("a", "triangle", 24, 14),
        TrialStudy("b", "duo_trio", 20, 15),
        TrialStudy("c", "tetrad", 18, 11, "a kitchen"),
        TrialStudy("d", "two_afc", 12, 10),
        TrialStudy("e", "three_afc", 12, 8),
        TrialStudy("f", "triangle", 18, 6),
        TrialStudy("g", "tetrad", 12, 3, "a kitchen"),
        TrialStudy("h", "two_afc", 12, 5),
    ]
    for without in pool_trials(rows).leave_one_out:
        kept = [row for row in rows if (row.household or row.label) != without.household]
        rest = pool_trials(kept, leave_out=False)
        assert without.estimate == pytest.approx(rest.d_prime.estimate, abs=1e-6)
        assert without.low == pytest.approx(rest.d_prime.low, abs=1e-6)
        assert without.high == pytest.approx(rest.d_prime.high, abs=1e-6)
        assert without.p_value == pytest.approx(rest.nobody_can_tell.p_value, rel=1e-9)
        assert without.e_value == pytest.approx(rest.any_time.e_value, rel=1e-9)


@pytest.mark.parametrize("k", range(5))
def test_small_pools_withhold_and_say_so(k):
    result = pool_trials(triangles([8, 10, 6, 9][:k], [12, 14, 12, 15][:k]))
    assert result.spread.sd is None
    assert result.fit.tau is None
    assert "spread" in {each.output for each in result.withheld}
    assert (result.d_prime.estimate is None) == (k == 0)
    assert (result.d_prime.low is None) == (k in {0, 2})
    assert result.verdict == "cannot_tell_yet"
    assert result.reading


def test_seven_households_get_the_exact_interval_only():
    seven = pool_trials(triangles([8, 9, 5, 7, 6, 9, 8], [12] * 7))
    assert seven.any_time.interval.low is None
    assert any(each.output == "any_time.interval" for each in seven.withheld)
    eight = pool_trials(triangles([8, 9, 5, 7, 6, 9, 8, 7], [12] * 8))
    assert eight.any_time.interval.low is not None
    short = pool_trials(triangles([4, 3, 5, 2, 3, 4, 4, 3], [5] * 8))
    assert short.any_time.interval.low is None


def test_perfect_households_are_decided_by_the_exact_interval():
    result = pool_trials(triangles([12] * 14, [12] * 14))
    assert result.any_time.interval.low is None
    assert result.verdict == "bigger_than_matters"
    assert result.d_prime.estimate == math.inf
    assert result.boundary == "all_correct"


def test_clearly_below_chance_asks_for_the_key():
    result = pool_trials(triangles([1] * 9, [12] * 9))
    assert result.below_chance
    assert "key" in result.reading
    assert result.proportion_discriminating.estimate == 0.0


def test_one_household_decides_where_only_it_can_tell():
    result = pool_trials(triangles([12, 4, 4, 3, 5, 4], [12] * 6))
    assert result.any_time.e_value > 20
    assert result.one_household_decides
    assert "One household decides" in result.reading


def test_where_only_the_size_hangs_on_one_household_that_is_said():
    counts = [10, 4, 15, 5, 9, 4, 7, 8, 14, 3, 7, 9, 7, 11, 11]
    sets = [12, 12, 18, 10, 15, 13, 12, 14, 18, 10, 12, 12, 10, 12, 12]
    result = pool_trials(triangles(counts, sets), smallest_that_matters=0.2)
    assert result.verdict == "real_but_may_be_too_small"
    assert result.one_household_decides
    assert result.least_e_value_without_one > 20
    assert "hangs on one household; that they can tell does not" in result.reading


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(METHODS)), st.integers(1, 15), st.floats(0, 1), st.sampled_from("abcdefg")),
        max_size=8,
    )
)
def test_any_pool_has_words_and_no_nan(rows):
    studies = [TrialStudy(f"r{i}", m, n, round(share * n), name) for i, (m, n, share, name) in enumerate(rows)]
    result = pool_trials(studies)
    numbers = [result.d_prime.estimate, result.d_prime.low, result.d_prime.high, result.any_time.e_value]
    numbers += [each.estimate for each in result.leave_one_out]
    assert not any(number is not None and math.isnan(number) for number in numbers)
    assert result.households == len({name for *_, name in rows})
    assert result.reading


@pytest.mark.parametrize(
    ("study", "field"),
    [
        (TrialStudy("b", "triange", 12, 8), "method"),
        (TrialStudy("b", "triangle", 0, 0), "presented"),
        (TrialStudy("b", "triangle", 12, 13), "correct"),
        (TrialStudy("b", "triangle", 12, -1), "correct"),
        (TrialStudy("b", "triangle", 12, correct=True), "correct"),
    ],
)
def test_rows_that_cannot_be_are_refused_by_place(study, field):
    with pytest.raises(InputError) as caught:
        pool_trials([TrialStudy("a", "triangle", 12, 8), study])
    assert (caught.value.field, caught.value.index) == (field, 1)


def test_far_below_chance_no_difference_is_claimed():
    """Answers that are wrong too often speak of swapped keys, not of a difference."""
    result = pool_trials(triangles([0, 1, 0, 0, 1, 0, 0, 1, 0, 0], [24] * 10))
    assert result.below_chance
    assert result.any_time.interval.high < 1 / 3 - 0.2
    assert result.verdict == "cannot_tell_yet"


def test_what_is_withheld_is_an_output():
    for counts in ([], [5], [5, 9], [5, 9, 7, 8, 6, 10]):
        result = pool_trials(triangles(counts, [12] * len(counts)))
        names = {name for each in result.withheld for name in each.output.split(", ")}
        assert all(hasattr(result, name.split(".")[0]) for name in names)
