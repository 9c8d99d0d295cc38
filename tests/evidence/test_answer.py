"""What holds of every answer, whatever the record held."""

import json
import re
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.evidence.answer import answer_from
from service.evidence.filters import Filters
from service.evidence.method import METHOD_VERSION
from tests.evidence import builders
from tests.evidence.builders import (
    aiming_at,
    answered,
    apart,
    collected,
    dried,
    guessing,
    liked,
    measured,
    retracted,
    start,
    tasted,
    telling,
    ticks,
)

NEVER = re.compile(
    r"\bproved\b|\bproven\b|\bno effect\b|\bsignificant|\b(?:1|one) (?:households|times|replications|starts|servings)\b"
    r"(?! with 6)|\bnan\b|\binf\b|(?-i:\bNone\b)(?! (?:lean|of) )|\{\}|  |\.\.|\bnone households\b",
    re.IGNORECASE,
)
AIMS = [
    aiming_at(outcome, smallest)
    for outcome, smallest in (
        ("perceivable_difference", 0.2),
        ("final_sg", 0.002),
        ("days_to_finish", 2.0),
        ("preference", 0.1),
        ("reached_dryness", None),
        ("descriptors", None),
        ("haze_ntu", None),
    )
]


_ALWAYS_SAID = {"convention", "model", "log_likelihood"}


def refuse(constant):
    raise AssertionError(f"{constant} in an answer")


def sentences(part) -> Iterator[str]:
    """Every text of an answer that a person reads."""
    if isinstance(part, str):
        yield part
    elif isinstance(part, dict):
        for value in part.values():
            yield from sentences(value)
    elif isinstance(part, list):
        for value in part:
            yield from sentences(value)


def all_null(value) -> bool:
    if isinstance(value, dict):
        return all(all_null(each) for name, each in value.items() if name not in _ALWAYS_SAID)
    return value is None


def withheld_names(block) -> Iterator[tuple[dict, str]]:
    for each in block["withheld"]:
        for name in each["output"].split(", "):
            yield block, name


def check(made) -> None:
    for said in sentences({**made, "method": None}):
        assert not NEVER.search(said), said
    assert made["answer"]
    assert made["answer"].endswith(".")
    assert made["certainty_reasons"]
    blocks = [made["perceivable_difference"], *made["measured"].values()]
    blocks += [block for block in (made["preference"], made["finished_dry"]) if block is not None]
    for block in blocks:
        assert block["reading"].endswith((".", "?"))
        for inside, name in withheld_names(block):
            value = inside
            for step in name.split("."):
                assert step in value, f"{name} is withheld, and no such output exists"
                value = value[step]
            assert all_null(value), f"{name} is withheld, and given"


def sent(made) -> dict:
    return json.loads(made.model_dump_json(), parse_constant=refuse)


households = st.integers(1, 14)
trial_rows = st.builds(
    lambda household, correct, presented, method, flags, state: tasted(
        household,
        min(correct, presented),
        presented,
        method,
        sealed=flags[0],
        registered=flags[1],
        vouched=flags[2],
        conditions_met=flags[3],
        replication=household if state != "again" else household + 100,
        outside_the_test="told_during" if state == "outside" else None,
        sham=state == "sham",
        **({"treatment": "control"} if state == "sham" else {}),
        moderators={"still": "pot" if flags[0] else "column"},
    ),
    households,
    st.integers(0, 20),
    st.integers(1, 20),
    st.sampled_from(["triangle", "triangle", "tetrad", "two_afc"]),
    st.tuples(*[st.booleans()] * 4),
    st.sampled_from(["", "", "", "again", "outside", "sham"]),
)
measured_rows = st.builds(
    lambda household, difference, outcome, variance: measured(
        household, difference, outcome, control_value=20.0, variance=variance, registered=household % 2 == 0
    ),
    households,
    st.sampled_from([0.0, -0.004, 0.001, 0.3, -0.1]),
    st.sampled_from(["final_sg", "days_to_finish", "haze_ntu", "ph_end"]),
    st.sampled_from([None, 1e-6, 1e-4]),
)
other_rows = st.one_of(
    st.builds(liked, households, st.integers(0, 9), st.integers(0, 9), st.integers(0, 2)),
    st.builds(
        lambda household, a, b: dried(household, control=a, treatment=b), households, st.booleans(), st.booleans()
    ),
    st.builds(
        lambda household, counts: ticks(household, grainy=counts), households, st.tuples(*[st.integers(0, 5)] * 4)
    ),
)
records = st.lists(st.one_of(trial_rows, measured_rows, other_rows), max_size=16)


@settings(max_examples=15, deadline=None)
@given(
    rows=records,
    gone=st.integers(0, 3),
    silent=st.integers(0, 3),
    aim=st.sampled_from(AIMS),
    filters=st.sampled_from([Filters(), Filters(), Filters(sealed=True), Filters(treatment="fined")]),
)
def test_no_record_makes_an_answer_say_what_it_may_not(rows, gone, silent, aim, filters):
    rows = [retracted(row) if place < gone else row for place, row in enumerate(rows)]
    also = [start(200 + each, state="registered") for each in range(silent)]
    check(sent(answer_from(collected(rows, filters, protocols=[aim], also=also))))


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [tasted(1, 12)],
        [tasted(1, 0)],
        [tasted(each, 12) for each in range(1, 11)],
        [tasted(each, 0) for each in range(1, 11)],
        [tasted(each, 4) for each in range(1, 11)],
        [tasted(1, 1, 1)],
        [tasted(each, each % 2, 1) for each in range(1, 30)],
        [tasted(1, 10_000, 10_000)],
        [measured(1, 0.0)],
        [measured(each, 0.0) for each in range(1, 9)],
        [liked(1, 0, 0, 4)],
        [liked(each, 0, 4) for each in range(1, 9)],
        [dried(1, control=True, treatment=True)],
        guessing(40),
    ],
    ids=range(15),
)
@pytest.mark.parametrize("aim", AIMS[:2], ids=("tasted", "measured"))
def test_at_its_edges_too(rows, aim):
    check(sent(answer_from(collected(rows, protocols=[aim]))))


def test_nothing_yet():
    made = answered()
    assert made["answer"] == "No replication has been reported yet."
    assert (made["certainty"], made["certainty_reasons"]) == ("none", ["no submitted replication is in the answer"])


def test_a_part_chosen_by_the_reader_has_no_certainty():
    made = answered([*telling(3), *telling(3, sealed=True)], Filters(sealed=True))
    assert (made["exploratory"], made["certainty"]) == (True, None)
    assert made["answer"].startswith("In the part you chose: somebody can tell “Cleared”")
    undecided = answered([tasted(1, 5, sealed=True), tasted(2, 3, sealed=True)], Filters(sealed=True))
    assert undecided["answer"].startswith("In the part you chose it is not known yet whether blind tasters")
    assert answered(telling(3), Filters(sealed=True))["answer"] == "No replication fits these filters."


def test_choosing_arms_is_asking_not_exploring():
    made = answered([tasted(1, 8, treatment="fined")], Filters(treatment="fined"))
    assert (made["exploratory"], made["certainty"]) == (False, "single")


def test_a_tasting_question_without_tasting_says_what_was_measured():
    made = answered(apart(9))
    assert made["answer"].startswith(
        "No blind trial that counts has been reported yet. “Cleared” finished 0.0060 lower"
    )
    assert made["certainty"] == "thin"


def test_it_says_what_it_was_computed_from_and_how_to_cite_it():
    made = json.loads(answer_from(collected([tasted(1, 8)]), public_url="https://example.org").model_dump_json())
    assert made["as_of"] == {"position": 900, "root_hash": "ab" * 32, "at": "2026-06-01T12:00:00.000000Z"}
    assert made["cite_as"].endswith(
        f"https://example.org/v1/questions/clearing/evidence?as_of=900&method_version={METHOD_VERSION}"
    )


def test_distilling_and_tasting_carry_their_cautions():
    fermented = answered(question=builders.question(stage="ferment"))["cautions"]
    distilled = answered(question=builders.question(stage="distil"))["cautions"]
    assert [each.split()[0] for each in fermented] == ["Tasting"]
    assert [each.split()[0] for each in distilled] == ["Tasting", "Distilling"]
    assert "local law" in distilled[1]


def test_one_record_gives_one_answer_to_the_last_byte():
    rows = [*telling(9), *apart(9), *(liked(each, 3, 5) for each in range(1, 6))]
    assert answer_from(collected(rows)).model_dump_json() == answer_from(collected(rows)).model_dump_json()
