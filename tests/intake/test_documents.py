import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from service.intake.documents import (
    BatchDocument,
    Impression,
    NewContributor,
    ProtocolDocument,
    QuestionDocument,
    ReplicationDocument,
    Revision,
    TrialDocument,
    Withdrawal,
)
from service.intake.strict import plain
from tests.intake import documents

Change = Callable[[dict[str, Any]], None]


def faults_of(model: type[BaseModel], given: Any) -> dict[tuple[str | int, ...], str]:
    with pytest.raises(ValidationError) as caught:
        model.model_validate(given)
    return {fault["loc"]: fault["msg"] for fault in caught.value.errors(include_input=False)}


@pytest.mark.parametrize(
    ("model", "given"),
    [
        (QuestionDocument, documents.question()),
        (ProtocolDocument, documents.protocol()),
        (ReplicationDocument, documents.replication()),
        (Withdrawal, {"category": "mixed_up", "reason": "swapped"}),
        (Impression, {"leans": "neither", "text": ""}),
        (NewContributor, {"display_name": "Cellar mouse"}),
    ],
)
def test_what_is_stored_is_what_was_given(model: type[BaseModel], given: dict[str, Any]):
    stored = plain(model.model_validate(given))
    assert stored == given
    assert plain(model.model_validate(json.loads(json.dumps(stored)))) == given
    assert plain(model.model_validate_json(json.dumps(given))) == given


def _first_batch(**changes: Any) -> Change:
    def change(document: dict[str, Any]) -> None:
        document["batches"][0].update(changes)

    return change


def _first_trial(**changes: Any) -> Change:
    def change(document: dict[str, Any]) -> None:
        document["trials"][0].update(changes)

    return change


def _top(**changes: Any) -> Change:
    return lambda document: document.update(changes)


HUGE = 10**300
B0 = ("batches", 0)
T0 = ("trials", 0)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (_first_trial(assessors=[{"assessor": "p1", "presented": 8, "correct": 9}]), (*T0, "assessors", 0, "correct")),
        (
            _first_trial(assessors=[{"assessor": "p1", "presented": 0, "correct": 0}]),
            (*T0, "assessors", 0, "presented"),
        ),
        (
            _first_trial(assessors=[{"assessor": "p1", "presented": True, "correct": 1}]),
            (*T0, "assessors", 0, "presented"),
        ),
        (
            _first_trial(assessors=[{"assessor": "p1", "presented": 8.0, "correct": 1}]),
            (*T0, "assessors", 0, "presented"),
        ),
        (_first_trial(assessors=[{"assessor": "p1", "presented": 2, "correct": 1}] * 2), (*T0, "assessors")),
        (_first_trial(planned=0), (*T0, "planned")),
        (_first_trial(planned=HUGE), (*T0, "planned")),
        (_first_trial(method="guess"), (*T0, "method")),
        (_first_trial(tasted_on="2026-02-30"), (*T0, "tasted_on")),
        (_first_trial(tasted_on="2026-05-01T10:00:00"), (*T0, "tasted_on")),
        (_first_trial(tasted_on=20260501), (*T0, "tasted_on")),
        (_first_trial(sealed=True), (*T0, "sealed")),
        (_first_batch(final_sg=1.081), (*B0, "final_sg")),
        (_first_batch(original_sg=float("nan")), (*B0, "original_sg")),
        (_first_batch(original_sg=float("inf")), (*B0, "original_sg")),
        (_first_batch(original_sg=True), (*B0, "original_sg")),
        (_first_batch(original_sg="1.080"), (*B0, "original_sg")),
        (_first_batch(volume_l=0), (*B0, "volume_l")),
        (_first_batch(volume_l=HUGE), (*B0, "volume_l")),
        (_first_batch(volume_l="5 degC"), (*B0, "volume_l")),
        (_first_batch(days_to_finish=0), (*B0, "days_to_finish")),
        (_first_batch(days_to_finish=8, still_going_at_days=9), (*B0, "still_going_at_days")),
        (_first_batch(measured={"ph_end": True}), (*B0, "measured", "ph_end")),
        (_first_batch(measured={"ph_end": "acid"}), (*B0, "measured", "ph_end")),
        (_first_batch(measured={"ph_end": HUGE}), (*B0, "measured", "ph_end")),
        (_first_batch(measured={"ph_end": 10**400}), (*B0, "measured", "ph_end")),
        (_first_batch(measured={"PH": 3}), (*B0, "measured", "PH", "[key]")),
        (_first_batch(pitched_at="0001-01-01T00:00:00+14:00"), (*B0, "pitched_at")),
        (_first_batch(pitched_at=0), (*B0, "pitched_at")),
        (_first_batch(readings=[{"at_h": 0, "sg": 1.08}] * 5001), (*B0, "readings")),
        (_first_batch(batch="a\x00b"), (*B0, "batch")),
        (_first_batch(notes="\ud800"), (*B0, "notes")),
        (_top(conditions={"still": float("nan")}), ("conditions", "still")),
        (_top(conditions={"still": HUGE}), ("conditions", "still")),
        (_top(conditions={"still": "\ud800"}), ("conditions", "still")),
        (_top(conditions={"still": "x" * 201}), ("conditions", "still")),
        (_top(conditions={"still": ["pot"]}), ("conditions", "still")),
        (_top(protocol_version=0), ("protocol_version",)),
        (_top(protocol_version=HUGE), ("protocol_version",)),
        (_top(state="withdrawn"), ("state",)),
        (_top(sealed_trials=[]), ("sealed_trials",)),
        (_top(plan={"significance": 1}), ("plan", "significance")),
        (_top(batches=[documents.batch()] * 41), ("batches",)),
        (_top(notes="\x00"), ("notes",)),
        (_top(question="Not A Slug"), ("question",)),
    ],
)
def test_bad_replications_are_refused_where_the_fault_is(change: Change, where: tuple[str | int, ...]):
    document = documents.replication()
    change(document)
    assert list(faults_of(ReplicationDocument, document)) == [where]


def test_additions_explain_a_rising_gravity():
    document = documents.replication(
        batches=[documents.batch(final_sg=1.090, additions=[{"at_h": 24, "what": "honey", "mass_g": 900}])]
    )
    assert ReplicationDocument.model_validate(document).batches[0].final_sg == 1.090


def test_text_with_a_unit_is_stored_in_the_fields_own():
    given = documents.batch(pitch_c="68 degF", volume_l="5 gal", measured={"mash_c": "150 degF"})
    batch = ReplicationDocument.model_validate(documents.replication(batches=[given])).batches[0]
    assert batch.pitch_c == 20.0
    assert batch.volume_l == pytest.approx(18.927, abs=1e-3)
    assert batch.measured["mash_c"] == pytest.approx(65.5556, abs=1e-4)


def test_a_tolerance_in_degrees_is_a_difference():
    held = [{"key": "pitch_c", "target": "68 degF", "tolerance": "1.8 degF"}]
    item = ProtocolDocument.model_validate(documents.protocol(held_constant=held)).held_constant[0]
    assert (item.target, item.tolerance) == (20.0, 1.0)


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("2026-05-01", date(2026, 5, 1)),
        ("2026-05-01T10:00:00+02:00", datetime(2026, 5, 1, 8, tzinfo=UTC)),
    ],
)
def test_a_tasting_has_a_day_or_a_moment(written: str, read: date):
    document = ReplicationDocument.model_validate(documents.replication(trials=[documents.trial(tasted_on=written)]))
    assert document.trials[0].tasted_on == read
    assert type(document.trials[0].tasted_on) is type(read)


def test_conditions_keep_their_kind():
    given = {"still": "pot", "plates": 0, "copper": True, "reflux": 0.5}
    kept = ReplicationDocument.model_validate(documents.replication(conditions=given)).conditions
    assert [type(value) for value in kept.values()] == [str, int, bool, float]


@pytest.mark.parametrize(
    ("arms", "said"),
    [
        ([{"key": "a", "label": "A", "is_control": True}], "at least 2"),
        ([{"key": "a", "label": "A", "is_control": True}, {"key": "a", "label": "B"}], "one key"),
        ([{"key": "a", "label": "A"}, {"key": "b", "label": "B"}], "0 have"),
        ([{"key": key, "label": key, "is_control": True} for key in "ab"], "2 have"),
    ],
)
def test_arms_are_told_apart(arms: list[dict[str, Any]], said: str):
    faults = faults_of(QuestionDocument, documents.question(arms=arms))
    assert list(faults) == [("arms",)]
    assert said in faults["arms",]


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"outcomes": []}, ("outcomes",)),
        ({"outcomes": [{"outcome": "final_sg"}, {"outcome": "final_sg"}]}, ("outcomes",)),
        ({"outcomes": [{"outcome": name, "primary": True} for name in ("final_sg", "ph_end")]}, ("outcomes",)),
        (
            {"outcomes": [{"outcome": "perceivable_difference", "smallest_difference_that_matters": 1}]},
            ("outcomes", 0, "smallest_difference_that_matters"),
        ),
        ({"held_constant": [{"key": "pitch_c"}, {"key": "pitch_c"}]}, ("held_constant",)),
        ({"held_constant": [{"key": "yeast", "target": "dry", "tolerance": 1}]}, ("held_constant", 0, "tolerance")),
        ({"held_constant": [{"key": "pitch_c", "target": "5 gal"}]}, ("held_constant", 0)),
        ({"held_constant": ["pitch_c"]}, ("held_constant", 0)),
        ({"split_point": "bottle"}, ("split_point",)),
        (
            {"trial": {"method": "triangle", "control": "a", "treatment": "b", "presentations": 0}},
            ("trial", "presentations"),
        ),
    ],
)
def test_bad_protocols_are_refused_where_the_fault_is(changes: dict[str, Any], where: tuple[str | int, ...]):
    assert list(faults_of(ProtocolDocument, documents.protocol(**changes))) == [where]


def test_the_first_outcome_is_primary_when_none_says_so():
    outcomes = [{"outcome": "perceivable_difference"}, {"outcome": "final_sg"}]
    document = ProtocolDocument.model_validate(documents.protocol(outcomes=outcomes))
    assert document.primary.outcome == "perceivable_difference"
    assert document.primary.smallest == 0.3


def test_a_revision_gives_back_the_replication_alone():
    revision = Revision.model_validate(documents.replication(reason="a digit was wrong"))
    assert revision.reason == "a digit was wrong"
    assert plain(revision.document()) == documents.replication()
    assert revision.document() == ReplicationDocument.model_validate(documents.replication())


def test_no_input_is_repeated_in_a_fault():
    secret = "x" * 300
    faults = faults_of(ReplicationDocument, documents.replication(question=secret, kitchen=5, assignment=secret))
    assert not any(secret in said for said in faults.values())


@pytest.mark.parametrize("model", [QuestionDocument, ProtocolDocument, ReplicationDocument, Revision])
def test_every_model_says_its_shape_for_the_api_text(model: type[BaseModel]):
    assert model.model_json_schema(mode="validation")["additionalProperties"] is False
    assert model.model_json_schema(mode="serialization")["properties"]


_LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.just(HUGE),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["\x00", "\ud800", "68 degF", "5 gal", "2026-05-01", "9999-12-31T23:59:59-23:59", "1e99 l"]),
)
_FIELDS = sorted({*ReplicationDocument.model_fields, *BatchDocument.model_fields, *TrialDocument.model_fields, "x"})
_ANYTHING = st.recursive(
    _LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(_FIELDS) | st.text(max_size=3), inner),
    max_leaves=12,
)


def _taken_or_refused(model: type[BaseModel], sent: dict[str, Any]) -> None:
    try:
        taken = model.model_validate(sent)
    except ValidationError:
        return
    assert json.dumps(plain(taken), allow_nan=False).encode()


@settings(max_examples=150, deadline=None)
@given(field=st.sampled_from(sorted(ReplicationDocument.model_fields)), value=_ANYTHING)
def test_whatever_is_sent_is_taken_or_refused_and_nothing_else_happens(field: str, value: Any):
    _taken_or_refused(ReplicationDocument, documents.replication(**{field: value}))


@settings(max_examples=150, deadline=None)
@given(field=st.sampled_from(sorted(BatchDocument.model_fields)), value=_ANYTHING)
def test_whatever_stands_on_a_batch_is_taken_or_refused(field: str, value: Any):
    _taken_or_refused(BatchDocument, documents.batch(**{field: value}))


@settings(max_examples=100, deadline=None)
@given(field=st.sampled_from(sorted(ProtocolDocument.model_fields)), value=_ANYTHING)
def test_whatever_a_protocol_says_is_taken_or_refused(field: str, value: Any):
    _taken_or_refused(ProtocolDocument, documents.protocol(**{field: value}))
