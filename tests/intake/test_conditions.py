import pytest

from tests.intake import documents
from tests.intake.weighing import weigh


def protocol(*held, **trial):
    given = documents.protocol(held_constant=list(held))
    given["trial"].update(trial)
    return given


def both(**changes):
    return [documents.batch("control"), documents.batch("treatment", **changes)]


def met(given, outcome="perceivable_difference", **changes):
    return weigh(given, **changes).row(outcome).conditions_met


def test_a_tolerance_is_held_to_its_edge_and_no_further():
    held = {"key": "ph_start", "target": 5.2, "tolerance": 0.2}
    for value, is_met in ((5.4, True), (5.0, True), (5.41, False)):
        assert met(protocol(held), batches=both(measured={"ph_start": value})) is is_met


def test_what_is_not_recorded_is_not_known_and_outside_is_outside():
    ph, pitch = {"key": "ph_start", "target": 5.2, "tolerance": 0.2}, {"key": "pitch_c", "target": 24, "tolerance": 1}
    assert met(protocol(ph, pitch), batches=both(measured={})) is None
    assert met(protocol(ph, pitch), batches=both(measured={}, pitch_c=30)) is False
    assert met(protocol(ph, pitch), batches=both()) is True


def test_without_a_target_the_batches_are_held_to_each_other():
    held = {"key": "volume_l", "tolerance": 1}
    assert met(protocol(held), batches=both(volume_l=21)) is True
    assert met(protocol(held), batches=both(volume_l=22)) is False


def test_text_is_looked_up_among_the_conditions_too():
    held = {"key": "yeast", "target": "Dry ale"}
    assert met(protocol(held), conditions={"yeast": "dry ale"}) is True
    assert met(protocol(held), conditions={"yeast": "bread"}) is False
    assert met(protocol(held), conditions={}) is None


def test_a_batch_field_goes_before_measured_and_the_spirit_comes_last():
    assert met(protocol({"key": "pitch_c", "target": 24}), batches=both(measured={"pitch_c": 1})) is True
    assert met(protocol({"key": "heat_w", "target": 900, "tolerance": 1}), batches=both()) is None


@pytest.mark.parametrize("key", ["final_sg", "days_to_finish", "abv_percent"])
def test_an_outcome_is_never_a_condition(key):
    """Choosing results by what came out would bias them: it is flagged, and excludes nothing."""
    held = {"key": key, "target": 0.990, "tolerance": 0.001}
    weighed = weigh(protocol(held))
    assert weighed.row().conditions_met is True
    assert {"condition_outside_tolerance", "condition_not_recorded"} & set(weighed.flags)


def test_tasting_strength_is_a_condition_of_tasting_alone():
    batches = both()
    batches[1]["spirit"]["tasting_abv_percent"] = 20.4
    weighed = weigh(protocol(), batches=batches)
    assert weighed.row().conditions_met is False
    assert weighed.row("final_sg").conditions_met is True
    batches[1]["spirit"]["tasting_abv_percent"] = 20.3
    assert met(protocol(), batches=batches) is True
    del batches[1]["spirit"]
    assert met(protocol(), batches=batches) is None


def test_no_batches_leave_it_unknown_and_no_conditions_leave_nothing_to_break():
    assert met(protocol(), batches=[]) is None
    free = protocol()
    del free["trial"]["tasting_abv_tolerance_percent"]
    assert met(free, batches=[]) is True


def test_final_gravities_apart_exclude_nothing():
    assert met(protocol(), batches=both(final_sg=1.010)) is True


def test_true_is_not_one():
    held = {"key": "copper", "target": True}
    assert met(protocol(held), conditions={"copper": True}) is True
    assert met(protocol(held), conditions={"copper": 1}) is False
    assert met(protocol({"key": "plates", "target": 0}), conditions={"plates": 0}) is True
