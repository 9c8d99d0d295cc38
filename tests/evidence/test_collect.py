"""What of the record an answer is made from: arms, filters, what left and what stayed silent."""

from dataclasses import replace

import pytest

from service.evidence.collect import ComparisonUnknownError
from service.evidence.filters import Filters, Where
from service.record.reports import Leanings
from tests.evidence import builders
from tests.evidence.builders import answered, collected, dried, liked, measured, retracted, start, tasted, ticks


def test_the_control_and_the_first_treatment_are_meant_where_no_arms_are_named():
    made = collected()
    assert (made.control, made.treatment) == ("control", "treatment")


@pytest.mark.parametrize(
    ("filters", "field"),
    [
        (Filters(control="nothing"), "control"),
        (Filters(treatment="nothing"), "treatment"),
        (Filters(control="fined", treatment="fined"), "treatment"),
    ],
)
def test_arms_that_the_question_lacks_are_refused_by_name(filters, field):
    with pytest.raises(ComparisonUnknownError) as refused:
        collected((), filters)
    assert refused.value.field == field


def test_rows_of_other_arms_stay_out_and_shams_of_either_arm_stay_in():
    rows = [
        tasted(1, 8),
        tasted(2, 8, control="control", treatment="fined"),
        tasted(3, 4, control="treatment", treatment="treatment", sham=True),
        tasted(4, 4, control="fined", treatment="fined", sham=True),
    ]
    made = collected(rows)
    assert [row.household_id.int for row in made.rows] == [1, 3]
    assert [row.household_id.int for row in made.of("perceivable_difference", sham=True)] == [3]


def test_a_comparison_asked_the_other_way_round_is_the_same_one_turned():
    rows = [
        tasted(1, 9),
        measured(1, -0.004, details={"control_value": 1.010, "treatment_value": 1.006, "control_batches": 1}),
        liked(1, 2, 7, 1),
        ticks(1, grainy=(1, 5, 2, 4)),
        dried(1, control=False, treatment=True),
    ]
    made = answered(rows, Filters(control="treatment", treatment="control"))
    measure = made["measured"]["final_sg"]
    assert made["comparison"] == {"control": "treatment", "treatment": "control"}
    assert made["perceivable_difference"]["correct"] == 9
    assert measure["estimate"] == pytest.approx(0.004)
    assert (measure["studies"][0]["control_value"], measure["studies"][0]["treatment_value"]) == (1.006, 1.010)
    assert (made["preference"]["preferred_control"], made["preference"]["preferred_treatment"]) == (7, 2)
    assert (made["descriptors"][0]["only_control"], made["descriptors"][0]["only_treatment"]) == (2, 5)
    assert made["finished_dry"]["pairs"]["only_control"] == 1


def test_every_comparison_is_listed_once():
    rows = [tasted(1, 8), tasted(2, 8, control="fined", treatment="treatment")]
    document = builders.protocol(pairs=[{"control": "control", "treatment": "treatment"}])
    found = [(each["control"], each["treatment"]) for each in answered(rows, protocols=[document])["comparisons"]]
    assert found == [("control", "treatment"), ("control", "fined"), ("fined", "treatment")]


@pytest.mark.parametrize(
    ("filters", "kept"),
    [
        (Filters(), [1, 2, 3, 4]),
        (Filters(sealed=True), [1]),
        (Filters(sealed=False), [2, 3, 4]),
        (Filters(registered=True), [2]),
        (Filters(vouched=True), [3]),
        (Filters(conditions_met=True), [1]),
        (Filters(conditions_met=False), [2, 3, 4]),
        (Filters(protocol_version=2), [4]),
        (Filters(method="tetrad"), [3]),
        (Filters(where=(Where("still", "POT"),)), [1, 2]),
        (Filters(where=(Where("still", "pot"), Where("plates", "0"))), [1]),
        (Filters(where=(Where("fresh", "true"),)), [4]),
        (Filters(where=(Where("plates", "none"),)), []),
    ],
)
def test_filters_keep_what_they_name(filters, kept):
    rows = [
        tasted(1, 8, sealed=True, conditions_met=True, moderators={"still": "pot", "plates": 0}),
        tasted(2, 8, registered=True, conditions_met=False, moderators={"still": "Pot", "plates": 2.0}),
        tasted(3, 8, method="tetrad", vouched=True, moderators={"still": "column"}),
        tasted(4, 8, protocol_version=2, moderators={"fresh": True}),
    ]
    made = collected(rows, filters)
    assert [row.household_id.int for row in made.rows] == kept
    assert made.filtered_out == 4 - len(kept)
    assert filters.exploratory is (filters != Filters())


def test_what_was_started_reported_and_left_out_is_counted():
    rows = [tasted(1, 8, assessors=2), tasted(2, 7), retracted(tasted(3, 12)), measured(1, -0.001)]
    also = [start(4, state="registered"), start(5, state="withdrawn"), start(6, state="erased"), start(7)]
    counts = answered(rows, also=also, leanings=Leanings(1, 2, 3))["counted"]
    assert {name: counts[name] for name in ("started", "reported", "replications", "households")} == {
        "started": 7,
        "reported": 4,
        "replications": 2,
        "households": 2,
    }
    assert (counts["assessors"], counts["presentations"]) == (3, 24)
    assert counts["left_out"] == [
        {"reason": "erased", "count": 1},
        {"reason": "nothing reported on this comparison", "count": 1},
        {"reason": "retracted", "count": 1},
        {"reason": "started, not reported", "count": 1},
        {"reason": "withdrawn", "count": 1},
    ]
    assert counts["unblinded_reports"] == {"control": 1, "treatment": 2, "neither": 3}


def test_a_start_is_counted_where_its_plan_or_its_result_is_about_the_comparison():
    elsewhere = {"control": "control", "treatment": "fined"}
    rows = [tasted(1, 8), tasted(1, 8, treatment="fined"), tasted(2, 8, treatment="fined")]
    starts = [start(1, plan=elsewhere), start(2, plan=elsewhere), start(3, state="registered")]
    assert answered(rows, starts=starts)["counted"]["started"] == 2
    assert answered(rows, Filters(treatment="fined"), starts=starts)["counted"]["started"] == 2


def test_what_the_filters_leave_out_is_counted_as_that():
    made = answered([tasted(1, 8, sealed=True), tasted(2, 8)], Filters(sealed=True))
    assert made["counted"]["left_out"] == [{"reason": "outside the filters", "count": 1}]
    assert made["filters"] == {"sealed": True}


def test_what_its_owner_would_take_back_stays_and_is_marked():
    rows = [tasted(1, 8), tasted(2, 3)]
    starts = [start(1), replace(start(2), withdrawal_asked_position=50)]
    made = answered(rows, starts=starts)
    studies = made["perceivable_difference"]["studies"]
    assert made["counted"]["withdrawal_asked"] == 1
    assert [study["flags"] for study in studies] == [[], ["withdrawal_asked"]]
    assert made["perceivable_difference"]["correct"] == 11


def test_a_retraction_leaves_no_trace_but_the_row_that_puts_it_back():
    rows = [tasted(each, 6) for each in range(1, 4)]
    before = answered(rows)["perceivable_difference"]
    after = answered([*rows, retracted(tasted(9, 12))])["perceivable_difference"]
    assert before["robustness"].pop("with_retracted")["correct"] == 18
    assert after["robustness"].pop("with_retracted")["correct"] == 30
    assert {**after, "studies": None} == {**before, "studies": None}


def test_a_merged_question_sends_its_reader_on():
    made = answered((), starts=[start(1)], merged_into="clearing-again")
    assert made["question"]["status"] == "merged"
    assert made["answer"] == "This question was merged into clearing-again: its replications stand in that answer."
    assert made["counted"]["left_out"] == [{"reason": "counted in clearing-again", "count": 1}]


def test_a_question_that_was_merged_later_shows_as_it_stood():
    merged = builders.question(status="merged", merged_into_id=builders.question().id, merged_position=1000)
    assert answered([tasted(1, 8)], question=merged)["question"]["status"] == "open"
