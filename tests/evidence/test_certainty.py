"""The rule's whole table: each word, and each reason that keeps an answer from being solid."""

from dataclasses import replace

import pytest

from service.evidence.certainty import certainty
from service.evidence.claim import Claim
from service.evidence.counting import Counted
from service.record.reports import Leanings

SURVIVES = {
    "leaving out any two households": True,
    "counting only the sealed or registered": True,
    "putting the retracted back": True,
    "taking every silent start as chance": True,
}
TELL = Claim(
    households=8,
    verdict="cannot_tell_yet",
    e_value=100.0,
    shows="they can tell",
    among="sealed or registered",
    in_registered_or_sealed=5,
    batch_luck_open=False,
    unchanged=SURVIVES,
)
SAME = replace(TELL, verdict="practically_the_same", e_value=None, among="registered")
COUNTS = Counted(
    started=10,
    reported=9,
    replications=9,
    households=8,
    assessors=12,
    presentations=96,
    withdrawal_asked=0,
    left_out=(),
    unblinded_reports=Leanings(0, 0, 0),
)


def word(claim, counts=COUNTS):
    return certainty(claim, counts).word


def counts_of(households):
    return replace(COUNTS, replications=households, households=households)


@pytest.mark.parametrize("claim", [TELL, SAME])
def test_solid_is_what_survives_everything(claim):
    found = certainty(claim, COUNTS)
    assert found.word == "solid"
    assert found.reasons[-2:] == (f"unchanged by {', '.join(SURVIVES)}", "nine in ten starts or more were reported")


@pytest.mark.parametrize(
    ("households", "expected"),
    [(0, "none"), (1, "single"), (2, "thin"), (3, "thin"), (4, "thin"), (5, "building"), (7, "building"), (8, "solid")],
)
@pytest.mark.parametrize("claim", [TELL, SAME])
def test_the_word_goes_by_households(claim, households, expected):
    assert word(replace(claim, households=households), counts_of(households)) == expected


@pytest.mark.parametrize("households", [5, 8, 40])
def test_an_undecided_answer_is_thin_however_many_report(households):
    undecided = replace(TELL, households=households, e_value=19.99)
    found = certainty(undecided, counts_of(households))
    assert found.word == "thin"
    assert "the primary outcome isn't decided yet" in found.reasons


@pytest.mark.parametrize("verdict", ["bigger_than_matters", "practically_the_same", "real_but_may_be_too_small"])
def test_each_verdict_decides(verdict):
    found = certainty(replace(SAME, verdict=verdict), COUNTS)
    assert found.word == "solid"
    assert f"decided by the any-time interval: {verdict.replace('_', ' ')}" in found.reasons


@pytest.mark.parametrize(
    ("e_value", "expected"), [(19.9, "thin"), (20.0, "building"), (99.9, "building"), (100, "solid")]
)
def test_they_can_tell_builds_from_20_to_1_and_is_solid_from_100(e_value, expected):
    assert word(replace(TELL, e_value=e_value)) == expected


def missing(claim=TELL, counts=COUNTS):
    found = certainty(claim, counts)
    assert found.word == "building"
    return [reason for reason in found.reasons if reason.startswith("not solid: ")]


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"households": 7}, "not solid: eight households are needed"),
        ({"e_value": 60.0}, "not solid: evidence of 100 to 1 is needed"),
        ({"in_registered_or_sealed": 1}, "not solid: one household sealed or registered; five households are needed"),
        ({"in_registered_or_sealed": 4}, "not solid: four households sealed or registered; five households are needed"),
        ({"batch_luck_open": True}, "not solid: batch luck is not excluded"),
        *(({"unchanged": {**SURVIVES, name: False}}, f"not solid: the answer changes by {name}") for name in SURVIVES),
    ],
)
def test_each_thing_that_is_missing_is_said(changed, reason):
    assert missing(replace(TELL, **changed)) == [reason]


@pytest.mark.parametrize(
    ("started", "reported", "solid"), [(10, 9, True), (10, 8, False), (11, 9, False), (20, 18, True)]
)
def test_nine_in_ten_starts_must_be_reported(started, reported, solid):
    counts = replace(COUNTS, started=started, reported=reported)
    assert (word(TELL, counts) == "solid") is solid
    if not solid:
        assert missing(counts=counts) == [
            f"not solid: {reported} of {started} starts were reported; nine in ten are needed"
        ]


def test_everything_that_is_missing_is_listed():
    poor = replace(
        TELL,
        households=5,
        e_value=25.0,
        in_registered_or_sealed=0,
        batch_luck_open=True,
        unchanged=dict.fromkeys(SURVIVES, False),
    )
    assert len(missing(poor, replace(counts_of(5), started=20))) == 9


def test_households_that_report_something_else_are_told_apart():
    found = certainty(replace(TELL, households=0, e_value=1.0), counts_of(6))
    assert found.word == "thin"
    assert "the primary outcome rests on none of them" in found.reasons
