"""What is asked for next follows from what the answer lacks."""

import pytest

from service.evidence.next_step import households_to_halve
from service.science.pooling.any_time_t import half_width
from tests.evidence.builders import aiming_at, answered, apart, guessing, protocol, tasted, telling


def asked(rows, **given):
    return answered(rows, **given)["next"]["what_would_help"]


def test_nothing_is_there():
    assert asked([]) == "A first replication: follow the protocol, and register the plan before the first glass."


@pytest.mark.parametrize(
    ("households", "said"),
    [
        (1, "Replications from seven more households, each registered before the first glass."),
        (6, "Replications from two more households, each registered before the first glass."),
        (7, "A replication from one more household, registered before the first glass."),
    ],
)
def test_few_households(households, said):
    assert asked(telling(households)) == said


def test_measured_outcomes_are_registered_before_pitching():
    assert asked(apart(3), protocols=[aiming_at("final_sg", 0.002)]).endswith("each registered before pitching.")


def test_shams_are_asked_for_only_where_something_was_told():
    early = [protocol(split_point="recipe")]
    assert asked(telling(10), protocols=early).startswith("Sham trials: three households")
    undecided = [aiming_at("perceivable_difference", 0.05, split_point="recipe")]
    assert not asked(guessing(10), protocols=undecided).startswith("Sham")


def test_an_open_answer_asks_for_more():
    assert (
        asked(guessing(10), protocols=[aiming_at("perceivable_difference", 0.05)])
        == "More households: twenty more would halve the range, at the spread seen so far."
    )


def test_promises_then_conditions_then_kitchens():
    assert asked(telling(10)) == "Replications that are registered before the first glass."
    same = telling(10, registered=True, moderators={"still": "pot", "plates": 0})
    assert asked(same) == "A replication with plates other than 0, registered before the first glass."
    assert answered(same)["next"]["missing_conditions"] == ["plates other than 0", "still other than pot"]
    assert asked(telling(10, registered=True)).endswith("registered before the first glass: ten households so far.")


def test_a_condition_of_one_household_is_not_missing():
    rows = [tasted(1, 8, moderators={"still": "pot"}), tasted(2, 8)]
    assert answered(rows)["next"]["missing_conditions"] == []


@pytest.mark.parametrize("count", [5, 8, 20, 100])
def test_halving_is_the_fewest_that_halve(count):
    more = households_to_halve(count)
    half = float(half_width(count, 0.05)) / 2
    assert float(half_width(count + more, 0.05)) <= half < float(half_width(count + more - 1, 0.05))


@pytest.mark.parametrize("count", [0, 1, 3])
def test_nothing_to_halve(count):
    assert households_to_halve(count) is None
