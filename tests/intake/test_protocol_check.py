import pytest

from service.intake.documents import ProtocolDocument, QuestionDocument
from service.intake.protocol_check import check_protocol
from service.intake.refusals import Refused
from tests.intake import documents
from tests.intake.weighing import checked


def pointers(caught) -> list[str]:
    return [fault.pointer for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"batches": [documents.batch("elsewhere")]}, ["/batches/0/arm"]),
        ({"trials": [documents.trial(control="elsewhere")]}, ["/trials/0/control"]),
        ({"trials": [documents.trial(), documents.trial(treatment="elsewhere")]}, ["/trials/1/treatment"]),
        ({"trials": [documents.trial(control="treatment", treatment="control")]}, ["/trials/0/treatment"]),
        ({"plan": {"control": "elsewhere"}}, ["/plan/control"]),
        ({"plan": {"control": "fined", "treatment": "fined"}}, ["/plan/treatment"]),
        ({"plan": {"control": "fined", "treatment": "control"}}, ["/plan/treatment"]),
        ({"batches": [documents.batch("x"), documents.batch("y")]}, ["/batches/0/arm", "/batches/1/arm"]),
    ],
)
def test_arms_that_the_question_does_not_have_are_pointed_at(changes, found):
    with pytest.raises(Refused) as caught:
        checked(**changes)
    assert pointers(caught) == found
    assert caught.value.kind == "invalid"


def test_a_refusal_names_the_arms_there_are_and_not_what_was_sent():
    with pytest.raises(Refused) as caught:
        checked(batches=[documents.batch("elsewhere")])
    assert "control, treatment, fined" in caught.value.faults[0].detail
    assert "elsewhere" not in caught.value.faults[0].detail


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"trial": {**documents.protocol()["trial"], "treatment": "elsewhere"}}, ["/trial/treatment"]),
        ({"trial": {**documents.protocol()["trial"], "treatment": "control"}}, ["/trial/treatment"]),
        ({"pairs": [{"control": "fined", "treatment": "control"}]}, ["/pairs/0/treatment"]),
        ({"pairs": [{"control": "x", "treatment": "y"}]}, ["/pairs/0/control", "/pairs/0/treatment"]),
    ],
)
def test_a_protocol_compares_arms_of_its_question(changes, found):
    question = QuestionDocument.model_validate(documents.question())
    with pytest.raises(Refused) as caught:
        check_protocol(question, ProtocolDocument.model_validate(documents.protocol(**changes)))
    assert pointers(caught) == found


def test_the_plan_is_filled_from_the_protocol():
    plan = checked(plan={"presentations": 24}).plan
    assert plan.model_dump() == {
        "method": "triangle",
        "control": "control",
        "treatment": "treatment",
        "presentations": 24,
        "primary_outcome": "perceivable_difference",
        "significance": 0.05,
    }


def test_a_protocol_without_a_trial_plans_no_method():
    protocol = documents.protocol(outcomes=[{"outcome": "final_sg"}])
    del protocol["trial"]
    plan = checked(protocol).plan
    assert (plan.method, plan.presentations, plan.primary_outcome) == (None, None, "final_sg")
    assert (plan.control, plan.treatment) == ("control", "treatment")


def test_pairs_decide_what_is_measured_against_what():
    assert checked().measured_comparisons == [("control", "treatment"), ("control", "fined")]
    pairs = [{"control": "treatment", "treatment": "fined"}]
    assert checked(documents.protocol(pairs=pairs)).measured_comparisons == [("treatment", "fined")]
