"""What the protocols set out to find, and when it could no longer be moved."""

from service.evidence.aims import aims_of
from tests.evidence.builders import FIRST_RESULT, aiming_at, answered, apart, protocol, tasted


def goals(*named):
    return [
        {"outcome": name, "primary": primary, "smallest_difference_that_matters": smallest}
        for name, primary, smallest in named
    ]


def test_without_a_protocol_the_claim_is_that_it_can_be_tasted():
    aims = aims_of([], None)
    assert (aims.primary, aims.outcomes, dict(aims.smallest)) == (
        "perceivable_difference",
        (),
        {"perceivable_difference": 0.3},
    )


def test_the_first_outcome_is_primary_where_none_says_so():
    aims = aims_of([protocol(outcomes=[{"outcome": "ph_end"}, {"outcome": "final_sg"}])], None)
    assert aims.primary == "ph_end"


def test_the_primary_outcome_is_frozen_at_the_first_version():
    first = protocol(outcomes=goals(("final_sg", True, 0.002)))
    second = protocol(2, 5, outcomes=goals(("ph_end", True, 0.1), ("final_sg", False, 0.002)))
    aims = aims_of([first, second], None)
    assert aims.primary == "final_sg"
    assert aims.outcomes == ("final_sg", "ph_end")


def test_the_mark_may_be_mended_until_a_result_is_there_and_not_after():
    first = protocol(outcomes=goals(("final_sg", True, 0.002)))
    second = protocol(2, 20, outcomes=goals(("final_sg", True, 0.0001), ("ph_end", False, 0.1)))

    def marks(first_result):
        aims = aims_of([first, second], first_result)
        return aims.smallest["final_sg"], aims.smallest["ph_end"], aims.set_late

    assert marks(None) == marks(30) == (0.0001, 0.1, frozenset())
    assert marks(10) == (0.002, 0.1, {"ph_end"})


def test_an_answer_keeps_to_the_mark_that_was_set_before_its_first_result():
    def smallest(position):
        later = protocol(2, position, outcomes=goals(("perceivable_difference", True, 0.05)))
        made = answered([tasted(1, 8)], protocols=[protocol(), later])
        return made["perceivable_difference"]["smallest_difference_that_matters"]

    assert smallest(FIRST_RESULT) == 0.05
    assert smallest(FIRST_RESULT + 50) == 0.3


def test_a_mark_that_was_named_late_decides_and_is_never_solid():
    open_ended = aiming_at("final_sg")
    late = aiming_at("final_sg", 0.002, version=2, position=500)
    rows = apart(12, registered=True)
    early, made = (
        answered(rows, protocols=protocols) for protocols in ([aiming_at("final_sg", 0.002)], [open_ended, late])
    )
    assert early["measured"]["final_sg"]["verdict"] == made["measured"]["final_sg"]["verdict"] == "bigger_than_matters"
    assert (early["certainty"], made["certainty"]) == ("solid", "building")
    assert "not solid: the size that matters was named after the first result" in made["certainty_reasons"]


def test_an_erased_protocol_says_nothing():
    erased = protocol()
    aims = aims_of([type(erased)(erased.question_id, 1, erased.author_id, 2, erased.created_at, None)], None)
    assert aims.primary == "perceivable_difference"
    assert aims.split_points == {1: "recipe"}
