from collections import Counter

import numpy as np
import pytest
from scipy import stats

from service.science.discrimination import METHODS
from service.science.errors import InputError
from service.science.keyed_stream import KeyedStream, seed_from
from service.science.serving import (
    ORDERS,
    is_right,
    orders_afresh,
    orders_in_blocks,
    possible_orders,
    realised_balance,
    serving_plan,
)
from tests.science.trial_figures import design_checks

CHECKS = design_checks()
PUBLISHED_ORDERS = {
    "triangle": CHECKS["orders"]["triangle"],
    "duo_trio": [each["reference"] + each["samples"] for each in CHECKS["orders"]["duo_trio_balanced_reference"]],
    "two_afc": CHECKS["orders"]["paired_2afc_preference"],
    "three_afc": CHECKS["orders"]["3afc_B_is_target"],
    "tetrad": CHECKS["orders"]["tetrad"],
}
METHOD_OF_DESIGN = {
    "triangle": "triangle",
    "duo_trio_balanced_reference": "duo_trio",
    "tetrad": "tetrad",
    "paired": "two_afc",
}
ARMS = ("control", "treatment")


def plan(method, presentations, seed=1, arms=ARMS, **options):
    return serving_plan(method, presentations, arms, seed_from(seed), **options)


def orders_of(a_plan):
    return [each.order for sheet in a_plan.tasters for each in sheet.presentations]


@pytest.mark.parametrize("method", METHODS)
def test_the_published_orders_and_no_others(method):
    """ISO 4120:2021 7.1, ISO 10399:2004; enumerated in design_checks.json."""
    assert sorted(ORDERS[method]) == sorted(PUBLISHED_ORDERS[method])
    assert set(orders_of(plan(method, 100))) == set(PUBLISHED_ORDERS[method])


@pytest.mark.parametrize("method", ["triangle", "tetrad"])
def test_a_full_set_of_orders_is_balanced(method):
    expected = CHECKS["balance_of_full_set"][method]["count_of_product_at_position"]
    balance = realised_balance(ORDERS[method], ORDERS[method])
    for letter, places in balance.letters_at_position.items():
        for place, count in enumerate(places, start=1):
            assert count == expected[f"{letter}{place}"]


@pytest.mark.parametrize("check", CHECKS["allocation_checks"], ids=lambda check: f"{check['design']}-{check['n_sets']}")
def test_published_allocations_across_tasters(check):
    method, tasters = METHOD_OF_DESIGN[check["design"]], check["n_sets"]
    for seed in range(40):
        found = plan(method, 1, seed, tasters=tasters)
        allowed = check.get("each_order_count_in", [check.get("each_order_count")])
        assert set(found.balance.orders.values()) <= set(allowed)
        if "odd_A_minus_odd_B_max_abs" in check:
            odd_a = sum(order.count("A") == 1 for order in orders_of(found))
            assert abs(odd_a - (tasters - odd_a)) <= check["odd_A_minus_odd_B_max_abs"]
            # The published note: choosing two of each makes the difference nothing.
            assert odd_a * 2 == tasters


def test_the_realised_balance_is_reported_as_drawn():
    found = plan("triangle", 30)
    assert found.balance.orders == {order: orders_of(found).count(order) for order in ORDERS["triangle"]}
    assert sum(found.balance.letters_at_position["A"]) + sum(found.balance.letters_at_position["B"]) == 90
    assert found.order_draw == "each_afresh"
    assert plan("triangle", 5, tasters=6).order_draw == "blocks"


def test_a_plan_repeats_from_its_seed_for_ever():
    """The plan of seed 7, written down: stored seeds must keep opening to the orders that were poured."""
    found = plan("triangle", 3, 7)
    assert found == plan("triangle", 3, 7)
    assert found != plan("triangle", 3, 8)
    assert orders_of(found) == ["BBA", "AAB", "BAA"]
    codes = [[glass.code for glass in each.glasses] for each in found.tasters[0].presentations]
    assert codes == [["419", "408", "740"], ["679", "982", "792"], ["569", "136", "587"]]


@pytest.mark.parametrize("method", METHODS)
def test_lone_orders_are_uniform_over_many_seeds(method):
    """Seeds 0 to 1999, fixed beforehand: each place in the plan, and each pair of neighbours, is uniform."""
    possible = ORDERS[method]
    drawn = [orders_afresh(possible, KeyedStream(seed_from(seed), f"orders {method}"), 3) for seed in range(2000)]
    for place in range(3):
        counts = Counter(each[place] for each in drawn)
        assert stats.chisquare([counts[order] for order in possible]).pvalue > 0.001
    neighbours = Counter((each[0], each[1]) for each in drawn)
    pairs = [neighbours[first, second] for first in possible for second in possible]
    assert stats.chisquare(pairs).pvalue > 0.001


def test_each_taster_of_several_has_uniform_orders_that_do_not_hang_together():
    plans = [plan("triangle", 2, seed, tasters=4) for seed in range(1500)]
    for sheet in range(4):
        pairs = Counter(tuple(each.order for each in one.tasters[sheet].presentations) for one in plans)
        counts = [pairs[first, second] for first in ORDERS["triangle"] for second in ORDERS["triangle"]]
        assert stats.chisquare(counts).pvalue > 0.001


def odd_places(orders):
    return np.array([order.index("A") if order.count("A") == 1 else order.index("B") for order in orders])


def remembered_score(places, memory):
    """Score a guesser who is told each answer and names the place that is most overdue within the last `memory`."""
    score = 0
    for number, place in enumerate(places):
        seen = np.bincount(places[number - number % memory : number], minlength=3)
        score += int(np.argmin(seen)) == place
    return score / len(places)


def test_memory_with_feedback_beats_blocks_and_gains_nothing_from_fresh_orders():
    """A taster who remembers scores 3.367 of 6 per triangle block (methods of the published design), not 2 of 6."""
    stream = KeyedStream(seed_from(20), "guesser")
    blocks = odd_places([order for _ in range(1500) for order in orders_in_blocks(ORDERS["triangle"], stream, 6)])
    fresh = odd_places(orders_afresh(ORDERS["triangle"], stream, 9000))
    assert remembered_score(blocks, 6) == pytest.approx(3.367 / 6, abs=0.02)
    assert remembered_score(fresh, 6) == pytest.approx(1 / 3, abs=0.02)


def test_memory_without_feedback_exceeds_the_level_with_blocks_alone():
    """A guesser who spreads answers evenly, 22 right of 48: 6.5 % with blocks and 4.8 % with fresh orders, exactly."""
    generator = np.random.default_rng(48)
    stream = KeyedStream(seed_from(21), "guesser")
    runs = 4000
    spread = np.tile([0, 0, 1, 1, 2, 2], (runs * 8, 1))
    answers = generator.permuted(spread, axis=1).reshape(runs, 48)
    blocks = odd_places([order for _ in range(runs * 8) for order in orders_in_blocks(ORDERS["triangle"], stream, 6)])
    fresh = odd_places(orders_afresh(ORDERS["triangle"], stream, runs * 48))
    nominal = stats.binom.sf(21, 48, 1 / 3)
    exceeded = {
        name: float(np.mean((answers == places.reshape(runs, 48)).sum(axis=1) >= 22))
        for name, places in (("blocks", blocks), ("fresh", fresh))
    }
    error = np.sqrt(nominal * (1 - nominal) / runs)
    assert abs(exceeded["fresh"] - nominal) < 3 * error
    assert exceeded["blocks"] == pytest.approx(0.065, abs=3 * error)
    assert exceeded["blocks"] > nominal + 2 * error


@pytest.mark.parametrize("method", METHODS)
def test_exactly_the_right_answers_score(method):
    for each in plan(method, 12, 5).tasters[0].presentations:
        letter_of = {glass.code: glass.letter for glass in each.glasses}
        for choice in each.right_choices:
            assert is_right(each, list(reversed(choice)))
            chosen = {letter_of[code] for code in choice}
            assert len(chosen) == 1
            if method == "triangle":
                assert list(letter_of.values()).count(chosen.pop()) == 1
            elif method == "duo_trio":
                assert each.glasses[0].is_reference
                assert choice[0] != each.glasses[0].code
                assert chosen.pop() == each.glasses[0].letter
            elif method in ("two_afc", "three_afc"):
                assert chosen == {"B"}
        asked = METHODS[method].glasses_chosen
        offered = [glass.code for glass in each.glasses if not glass.is_reference]
        singles = [[code] for code in offered] if asked == 1 else [[a, b] for a in offered for b in offered if a < b]
        share = np.mean([is_right(each, answer) for answer in singles])
        assert share == pytest.approx(METHODS[method].guess_probability)


@pytest.mark.parametrize("method", ["two_afc", "three_afc"])
def test_the_batch_named_beforehand_is_the_one_to_pick(method):
    found = plan(method, 20, expected_stronger="a")
    assert set(orders_of(found)) <= set(possible_orders(method, "a"))
    for each in found.tasters[0].presentations:
        arm_of = {glass.code: glass.arm for glass in each.glasses}
        assert [arm_of[code] for code in each.right_choices[0]] == ["control"]
    assert sum(found.balance.orders.values()) == 20


def test_a_sham_trial_tells_its_two_batches_apart():
    found = plan("triangle", 6, arms=("control", "control"))
    assert found.sham
    for each in found.tasters[0].presentations:
        assert {glass.arm for glass in each.glasses} == {"control"}
        assert {glass.letter for glass in each.glasses} == {"A", "B"}
        assert is_right(each, each.right_choices[0])


def test_a_table_of_tasters_shares_no_code():
    found = plan("triangle", 6, tasters=8)
    codes = [glass.code for sheet in found.tasters for each in sheet.presentations for glass in each.glasses]
    assert len(set(codes)) == len(codes) == 144


def test_a_long_session_repeats_no_code_for_one_taster():
    found = plan("triangle", 100, tasters=4)
    for sheet in found.tasters:
        codes = [glass.code for each in sheet.presentations for glass in each.glasses]
        assert len(set(codes)) == len(codes) == 300


def test_codes_tell_nothing_of_the_odd_glass():
    """Whether the odd glass has the lowest, middle or highest code is a fair draw of three."""
    ranks = Counter()
    for seed in range(300):
        for each in plan("triangle", 5, seed).tasters[0].presentations:
            ranks[sorted(glass.code for glass in each.glasses).index(each.right_choices[0][0])] += 1
    assert stats.chisquare(list(ranks.values())).pvalue > 0.001


@pytest.mark.parametrize(
    ("arguments", "options", "field"),
    [
        (("round", 6, ARMS, bytes(32)), {}, "method"),
        (("triangle", 0, ARMS, bytes(32)), {}, "presentations"),
        (("triangle", 2.5, ARMS, bytes(32)), {}, "presentations"),
        (("triangle", 1000, ARMS, bytes(32)), {"tasters": 11}, "presentations"),
        (("triangle", 6, ARMS, bytes(32)), {"tasters": 0}, "tasters"),
        (("triangle", 6, ARMS, bytes(16)), {}, "seed"),
    ],
)
def test_what_is_refused(arguments, options, field):
    with pytest.raises(InputError) as refusal:
        serving_plan(*arguments, **options)
    assert refusal.value.field == field


def test_answers_that_are_none_are_refused():
    duo_trio = plan("duo_trio", 1).tasters[0].presentations[0]
    tetrad = plan("tetrad", 1).tasters[0].presentations[0]
    reference = duo_trio.glasses[0].code
    one = tetrad.glasses[0].code
    for presentation, answer in ((duo_trio, [reference]), (duo_trio, ["000"]), (tetrad, [one]), (tetrad, [one, one])):
        with pytest.raises(InputError) as refusal:
            is_right(presentation, answer)
        assert refusal.value.field == "chosen_codes"
