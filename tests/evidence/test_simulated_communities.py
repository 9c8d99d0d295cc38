"""The whole verdict machine on communities whose truth is known, looked at again and again: a false `solid` is rare.

The limit of 1 % is stated before anything is drawn; seeds are fixed.
"""

import numpy as np
import pytest

from service.science.pooling import trials_left_out
from tests.evidence.builders import aiming_at, answered, measured, protocol, start, tasted

pytestmark = pytest.mark.simulation

COMMUNITIES = 400
LOOKS = (8, 12, 16, 20, 30)
PRESENTED = 12
MOST_FALSE = 0.01
STRONG_CLAIMS = {"bigger_than_matters", "real_but_may_be_too_small"}


@pytest.fixture(autouse=True)
def without_refits(monkeypatch):
    """Leave-one-out estimates decide nothing of certainty, and are most of the cost."""
    monkeypatch.setattr(trials_left_out, "MOST_REFITTED", 0)


def claims_a_difference(answer) -> bool:
    primary = answer["measured"].get("final_sg")
    if primary is not None and primary["primary"]:
        return primary["verdict"] in STRONG_CLAIMS
    tasting = answer["perceivable_difference"]
    return tasting["any_time"]["e_value"] >= 20 or tasting["verdict"] in STRONG_CLAIMS


def share_ever_falsely_solid(community, seed) -> float:
    """The share of communities that call a difference solid at any look."""
    generator = np.random.default_rng(seed)
    false = 0
    for _ in range(COMMUNITIES):
        false += any(answer["certainty"] == "solid" and claims_a_difference(answer) for answer in community(generator))
    return false / COMMUNITIES


def test_where_nobody_can_tell():
    def community(generator):
        correct = generator.binomial(PRESENTED, 1 / 3, max(LOOKS)).tolist()
        rows = [tasted(number + 1, right, registered=True) for number, right in enumerate(correct)]
        return (answered(rows[:look]) for look in LOOKS)

    assert share_ever_falsely_solid(community, 20_260_101) <= MOST_FALSE


def test_where_the_gravities_are_the_same():
    def community(generator):
        differences = generator.normal(0.0, 0.003, max(LOOKS)).tolist()
        rows = [measured(number + 1, each, registered=True) for number, each in enumerate(differences)]
        return (answered(rows[:look], protocols=[aiming_at("final_sg", 0.002)]) for look in LOOKS)

    assert share_ever_falsely_solid(community, 20_260_102) <= MOST_FALSE


@pytest.mark.parametrize("shams", [0, 6])
def test_where_only_batch_luck_is_tasted(shams):
    """Any two buckets can be told apart, of one arm or of two: the factor does nothing."""

    def community(generator):
        luck = 1 / (1 + np.exp(-generator.normal(-0.2, 0.8, max(LOOKS) + shams)))
        correct = generator.binomial(PRESENTED, 1 / 3 + 2 / 3 * luck).tolist()
        rows = [tasted(number + 1, right, registered=True) for number, right in enumerate(correct[: max(LOOKS)])]
        same = [
            tasted(number + 1, right, control="control", treatment="control", sham=True)
            for number, right in enumerate(correct[max(LOOKS) :])
        ]
        recipe = [protocol(split_point="recipe")]
        return (answered([*rows[:look], *same], protocols=recipe) for look in LOOKS)

    assert share_ever_falsely_solid(community, 20_260_103 + shams) <= MOST_FALSE


def test_where_owners_keep_quiet_about_what_they_dislike():
    """Nobody can tell, and whoever scores below chance never reports: the silence is counted."""

    def community(generator):
        correct = generator.binomial(PRESENTED, 1 / 3, 2 * max(LOOKS)).tolist()
        told = [(number + 1, right) for number, right in enumerate(correct) if right >= 4]
        for look in LOOKS:
            shown = told[:look]
            last = shown[-1][0]
            quiet = [start(number + 1, state="registered") for number, right in enumerate(correct[:last]) if right < 4]
            yield answered([tasted(number, right, registered=True) for number, right in shown], also=quiet)

    assert share_ever_falsely_solid(community, 20_260_104) <= MOST_FALSE


def test_a_true_difference_does_become_solid():
    """The machine can say yes: otherwise the tests above would prove nothing."""
    generator = np.random.default_rng(20_260_105)
    solid = 0
    for _ in range(40):
        able = 1 / (1 + np.exp(-generator.normal(-0.2, 0.8, 20)))
        correct = generator.binomial(PRESENTED, 1 / 3 + 2 / 3 * able).tolist()
        rows = [tasted(number + 1, right, registered=True) for number, right in enumerate(correct)]
        answer = answered(rows)
        solid += answer["certainty"] == "solid" and claims_a_difference(answer)
    assert solid >= 36
