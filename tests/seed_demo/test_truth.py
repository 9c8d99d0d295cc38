"""Does the community hold what `seed_demo.truth` states, and would the record's own rules find it."""

import numpy as np
import pytest
from scipy import special

from seed_demo import truth
from seed_demo.community import draw_community
from seed_demo.truth import CIDER, MEAD, TRUTHS, WASH
from service.science.pooling.verdict import verdict
from tests.seed_demo import figures

SEEDS = range(100, 130)


@pytest.fixture(scope="module")
def many():
    """Thirty communities of other seeds: what one happens to show, they show on average."""
    return [draw_community(seed) for seed in SEEDS]


def documents(communities, question):
    return [each.document for community in communities for each in community.replications[question.slug]]


def test_there_are_as_many_replications_as_stated(community):
    sizes = {slug: len(replications) for slug, replications in community.replications.items()}

    assert sizes == {WASH.slug: 17, MEAD.slug: 14, CIDER.slug: 14}


def test_thirty_households_take_part_some_in_more_than_one_question_and_none_twice_in_one(community):
    seats = {
        slug: [each.household.number for each in replications] for slug, replications in community.replications.items()
    }
    everybody = [number for numbers in seats.values() for number in numbers]

    assert set(everybody) == {household.number for household in community.households}
    assert len(community.households) == 30
    assert all(len(set(numbers)) == len(numbers) for numbers in seats.values())
    assert len(everybody) > len(set(everybody))


@pytest.mark.parametrize("question", TRUTHS, ids=lambda question: question.slug)
def test_half_are_registered_before_the_claim_can_be_known(community, question):
    registered = [each for each in community.replications[question.slug] if each.registered_at is not None]

    assert len(registered) == question.registered
    assert abs(2 * question.registered - question.replications) <= 1
    for each in registered:
        assert each.registered_at.date().isoformat() < each.document["trials"][0]["tasted_on"]
        if question.primary_outcome == "final_sg":
            pitched = min(batch["pitched_at"] for batch in each.document["batches"])
            assert each.registered_at.isoformat() < pitched


def test_one_registration_is_never_heard_of_again(community):
    registered = {event.about for event in community.events if event.act == "register"}
    reported = {event.about for event in community.events if event.act == "submit"}

    assert len(registered - reported) == 1
    assert community.silent.household not in [each.household for each in community.replications[MEAD.slug]]


def test_the_wash_has_its_shams_its_stalled_half_and_its_unmatched_glasses(community):
    wash = [each.document for each in community.replications[WASH.slug]]
    shams = [trial for document in wash for trial in document["trials"] if trial["treatment"] == "control"]
    stalled = [document for document in wash if document["suspected_confounds"]]
    apart = [
        max(strengths) - min(strengths)
        for document in wash
        for strengths in [[batch["spirit"]["tasting_abv_percent"] for batch in document["batches"]]]
    ]

    assert len(shams) == truth.SHAM_TRIALS == 4
    assert [len(document["batches"]) == 3 for document in wash].count(True) == 4
    assert len(stalled) == 1
    assert figures.final_sg(stalled[0], "treatment") - figures.final_sg(stalled[0], "control") > 0.004
    assert sum(difference > 0.3 for difference in apart) == 1


def test_most_houses_hold_twelve_triangles_and_the_rest_ten_to_eighteen(community):
    sets = [
        figures.counts(trial)[1]
        for replications in community.replications.values()
        for trial in figures.main_trials(replications)
    ]

    assert 2 * sets.count(12) > len(sets)
    assert min(sets) >= 10
    assert max(sets) <= 18
    assert len(set(sets)) > 2


@pytest.mark.parametrize("question", TRUTHS, ids=lambda question: question.slug)
def test_gravities_warmth_and_days_are_drawn_as_stated(many, question):
    drawn = documents(many, question)
    controls = [next(batch for batch in each["batches"] if batch["arm"] == "control") for each in drawn]
    for name, spread, extra_sd in (
        ("original_sg", question.original_sg, 0.001),
        ("final_sg", question.final_sg, 0.001),
        ("pitch_c", question.temperature_c, 0.2),
    ):
        values = np.array([batch[name] for batch in controls])
        error = spread.sd / np.sqrt(len(values))
        assert np.mean(values) == pytest.approx(spread.mean, abs=4 * error)
        assert np.std(values, ddof=1) == pytest.approx(np.hypot(spread.sd, extra_sd), rel=0.15)
    days = [batch["readings"][-1]["at_h"] / 24 for batch in controls]
    assert np.mean(days) == pytest.approx(question.days.mean, abs=4 * question.days.sd / np.sqrt(len(days)))


@pytest.mark.parametrize("question", TRUTHS, ids=lambda question: question.slug)
def test_differences_in_final_gravity_are_drawn_as_stated(many, question):
    drawn = np.array(
        [
            figures.final_sg(each, "treatment") - figures.final_sg(each, "control")
            for each in documents(many, question)
            if not each["suspected_confounds"]
        ]
    )
    low, high = question.difference_sg.sd, np.hypot(question.difference_sg.sd, np.sqrt(2) * 0.001)

    assert np.mean(drawn) == pytest.approx(question.difference_sg.mean, abs=4 * high / np.sqrt(len(drawn)))
    assert 0.93 * low < np.std(drawn, ddof=1) < 1.07 * high


def test_the_arms_of_the_wash_are_told_apart_as_stated(many):
    trials = [each["trials"][0] for each in documents(many, WASH)]
    correct, presented = np.sum([figures.counts(trial) for trial in trials], axis=0)
    logits = np.random.default_rng(0).normal(WASH.discriminating.mean, WASH.discriminating.sd, 100_000)
    expected = figures.GUESS + (1 - figures.GUESS) * np.mean(special.expit(logits))

    assert correct / presented == pytest.approx(expected, abs=0.025)


@pytest.mark.parametrize("question", [MEAD, CIDER], ids=lambda question: question.slug)
def test_nobody_tells_the_meads_or_ciders_apart(many, question):
    trials = [each["trials"][0] for each in documents(many, question)]
    correct, presented = np.sum([figures.counts(trial) for trial in trials], axis=0)

    assert correct / presented == pytest.approx(figures.GUESS, abs=4 * np.sqrt(2 / 9 / presented))


def test_nobody_tells_the_shams_apart(many):
    shams = [trial for each in documents(many, WASH) for trial in each["trials"][1:]]
    correct, presented = np.sum([figures.counts(trial) for trial in shams], axis=0)

    assert len(shams) == 4 * len(SEEDS)
    assert correct / presented == pytest.approx(figures.GUESS, abs=4 * np.sqrt(2 / 9 / presented))


def test_the_wash_is_found_to_be_told_apart(community):
    assert figures.tasted(community.replications[WASH.slug]).e_value >= 20


def test_the_stepwise_mead_is_found_to_end_lower_by_more_than_matters_and_not_to_be_tasted(community):
    interval = figures.measured(community.replications[MEAD.slug])

    assert verdict(MEAD.smallest_that_matters, interval) == "bigger_than_matters"
    assert interval.high < -MEAD.smallest_that_matters
    assert figures.tasted(community.replications[MEAD.slug]).largest_e_value < 20


def test_the_open_cider_is_found_to_end_practically_the_same(community):
    interval = figures.measured(community.replications[CIDER.slug])

    assert verdict(CIDER.smallest_that_matters, interval) == "practically_the_same"
    assert figures.tasted(community.replications[CIDER.slug]).largest_e_value < 20
