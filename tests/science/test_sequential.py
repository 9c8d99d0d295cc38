import numpy as np
import pytest
from scipy import stats

from service.science.discrimination import METHODS, sequential, significance
from service.science.errors import InputError


def test_the_path_is_the_e_value_after_each_answer():
    outcomes = [True, True, False, True, True, False, True, True, False, True, True, False]
    found = sequential("triangle", outcomes)
    expected = [significance("triangle", n, sum(outcomes[:n])).any_time_e_value for n in range(1, len(outcomes) + 1)]
    assert found.path == pytest.approx(expected, rel=1e-12)
    assert found.e_value == pytest.approx(7.674125874, rel=1e-9)
    assert (found.presented, found.correct) == (12, 8)


def test_the_largest_value_counts_and_is_kept():
    found = sequential("triangle", [True] * 4 + [False] * 20)
    assert found.crossed_at == 4
    assert found.largest_e_value == pytest.approx(24.2, rel=1e-9)
    assert found.p_value == pytest.approx(1 / 24.2, rel=1e-9)
    assert found.e_value < 1.0


def test_evidence_that_never_crosses():
    found = sequential("duo_trio", [False, False])
    assert found.crossed_at is None
    assert found.p_value == 1.0


@pytest.mark.parametrize("method", METHODS)
def test_the_e_value_is_a_martingale_under_guessing(method):
    """From every state the next value averages to the present one, which is what makes looking free."""
    guess = METHODS[method].guess_probability
    for presented in (0, 1, 7, 40):
        answers = np.arange(presented + 1)
        now = significance(method, presented, answers).any_time_e_value if presented else np.ones(1)
        right = significance(method, presented + 1, answers + 1).any_time_e_value
        wrong = significance(method, presented + 1, answers).any_time_e_value
        assert np.allclose(guess * right + (1 - guess) * wrong, now, rtol=1e-10)


def test_peeking_at_every_answer_keeps_the_error_below_the_nominal():
    """Exact: the chance that guessing ever reaches 20 by 36 answers is 2.7 %; nominal p-values would reach 15.8 %."""
    guess, alive, crossed = 1 / 3, {0: 1.0}, 0.0
    for presented in range(1, 37):
        step = {}
        for correct, weight in alive.items():
            step[correct] = step.get(correct, 0.0) + weight * (1 - guess)
            step[correct + 1] = step.get(correct + 1, 0.0) + weight * guess
        e_values = significance("triangle", presented, np.array(sorted(step))).any_time_e_value
        over = dict(zip(sorted(step), e_values >= 20.0, strict=True))
        crossed += sum(weight for correct, weight in step.items() if over[correct])
        alive = {correct: weight for correct, weight in step.items() if not over[correct]}
    assert crossed == pytest.approx(0.027, abs=0.0005)
    assert stats.binom.sf(17, 36, guess) < 0.05


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (("triangle", []), "outcomes"),
        (("triangle", [True, 0.5]), "outcomes"),
        (("triangle", [True] * 100_001), "outcomes"),
        (("triangle", [True], 0.0), "significance"),
        (("round", [True]), "method"),
    ],
)
def test_what_is_refused(arguments, field):
    with pytest.raises(InputError) as refusal:
        sequential(*arguments)
    assert refusal.value.field == field
