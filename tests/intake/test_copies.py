"""Copies, near-copies, and honest likeness."""

import copy
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seed_demo.community import draw_community
from seed_demo.truth import SEED
from service.intake import asking, submission
from service.intake.copies import BEGINNING, likeness, print_of
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.strict import plain
from service.record import contributors, replication_reads
from tests.intake import documents

LOGGED = {
    "question": "q",
    "protocol_version": 1,
    "conditions": {"yeast": "ale"},
    "batches": [
        {
            "arm": arm,
            "batch": f"bucket {arm}",
            "pitched_at": "2026-05-01T08:00:00Z",
            "original_sg": 1.0804,
            "final_sg": final,
            "pitch_c": 21.4,
            "volume_l": 19.3,
            "measured": {"ph_end": 3.42},
            "readings": [
                {"at_h": at, "sg": sg} for at, sg in ((0.0, 1.0804), (24.5, 1.0641), (50.0, 1.0317), (166.0, final))
            ],
        }
        for arm, final in (("control", 1.0113), ("treatment", 1.0046))
    ],
    "trials": [
        {
            "method": "triangle",
            "control": "control",
            "treatment": "treatment",
            "assessors": [
                {"assessor": "p1", "presented": 12, "correct": 7},
                {"assessor": "p2", "presented": 12, "correct": 4},
            ],
        }
    ],
}


def stored(change=lambda _: None):
    document = copy.deepcopy(LOGGED)
    change(document)
    return plain(ReplicationDocument.model_validate(document))


def shares(one, other):
    return one[:BEGINNING] == other[:BEGINNING]


def like(change):
    original, changed = print_of(stored()), print_of(stored(change))
    return likeness(changed, {original} if shares(original, changed) else set())


def rename(document):
    document |= {"kitchen": "another shed", "notes": "all my own", "conditions": {"yeast": "lager", "still": "pot"}}
    for batch in document["batches"]:
        batch |= {"batch": f"keg {batch['arm']}", "notes": "mine", "instrument": "refractometer"}
    for taster in document["trials"][0]["assessors"]:
        taster["assessor"] += "x"


def round_all(document):
    for batch in document["batches"]:
        batch |= {"original_sg": 1.080, "final_sg": round(batch["final_sg"], 3), "pitch_c": 21.0, "volume_l": 19.0}
        batch["measured"] = {"ph_end": 3.4}
        batch["readings"] = [
            {"at_h": 25.0 if each["at_h"] == 24.5 else each["at_h"], "sg": round(each["sg"], 3)}
            for each in batch["readings"]
        ]


def turn_round(document):
    document["batches"].reverse()
    document["trials"][0]["assessors"].reverse()
    document["batches"][0]["readings"].reverse()


def move_days(document):
    for batch in document["batches"]:
        batch["pitched_at"] = "2026-06-11T18:00:00Z"
    document["trials"][0]["tasted_on"] = "2026-08-01"


NEARLY = {
    "other names and notes": rename,
    "a figure rounded": lambda document: document["batches"][0].update(final_sg=1.011),
    "every figure rounded": round_all,
    "rows in another order": turn_round,
    "other days": move_days,
    "all of it": lambda document: [each(document) for each in (rename, round_all, turn_round, move_days)],
}


@pytest.mark.parametrize("how", NEARLY)
def test_a_near_copy_is_known_whatever_is_dressed_up(how):
    assert like(NEARLY[how]) == "near"


def test_the_same_content_is_a_copy():
    assert like(lambda document: document.update(notes="mine", kitchen="elsewhere")) == "same"
    assert like(lambda document: document["batches"][0].update(pitch_c="70.52 degF")) == "same"


OTHERWISE = {
    "one more right answer": lambda document: document["trials"][0]["assessors"][0].update(correct=8),
    "answers changed about": lambda document: document["trials"][0]["assessors"][0].update(presented=13),
    "another final gravity": lambda document: document["batches"][0].update(final_sg=1.0125),
    "one reading more": lambda document: document["batches"][0]["readings"].append({"at_h": 200, "sg": 1.011}),
    "arms swapped": lambda document: [
        each.update(arm={"control": "treatment", "treatment": "control"}[each["arm"]]) for each in document["batches"]
    ],
    "another method": lambda document: document["trials"][0].update(method="duo_trio"),
    "another pH": lambda document: document["batches"][1].update(measured={"ph_end": 3.6}),
}


@pytest.mark.parametrize("how", OTHERWISE)
def test_other_results_are_no_copy(how):
    assert like(OTHERWISE[how]) == "none"


def test_a_few_results_that_many_will_have_are_no_near_copy():
    def few(document):
        document["batches"] = []

    one = print_of(stored(few))
    assert not shares(one, print_of(stored(lambda document: [few(document), rename(document)])))
    # What is the same throughout is a copy even so.
    assert likeness(one, {print_of(stored(few))}) == "same"


@given(st.integers(9900, 11200))
def test_rounding_to_what_an_instrument_shows_never_hides_a_copy(ten_thousandths):
    def reads(final):
        return print_of(stored(lambda document: document["batches"][1].update(original_sg=1.13, final_sg=final)))

    assert shares(reads(ten_thousandths / 10_000), reads((ten_thousandths + 5) // 10 / 1000))


@pytest.mark.parametrize("seed", [SEED, 1, 2])
def test_nobody_in_an_invented_community_is_taken_for_a_copier(seed):
    pairs = 0
    for among in draw_community(seed).replications.values():
        prints = [print_of(plain(ReplicationDocument.model_validate(each.document))) for each in among]
        for one, other in combinations(prints, 2):
            pairs += 1
            assert not shares(one, other)
    assert pairs > 300


def test_a_near_copy_in_another_household_is_flagged_and_kept(database):
    with database.write() as session:
        people = [contributors.create(session, display_name=f"Brewer {each}", token_hash=None) for each in "ab"]
        question = asking.add_question(
            session, people[0], QuestionDocument.model_validate(documents.question(slug="q"))
        )
        asking.add_protocol(session, people[0], question, ProtocolDocument.model_validate(documents.protocol()))
        kept = [
            submission.post_replication(session, by, ReplicationDocument.model_validate(stored(change)))
            for by, change in zip((*people, people[1]), (lambda _: None, NEARLY["all of it"], turn_round), strict=True)
        ]
    flagged = [[flag.name for flag in each.report.deviations if "copy" in flag.name] for each in kept]
    assert flagged == [[], ["near_copy_of_another_document"], ["near_copy_of_another_document"]]
    with database.read() as session:
        assert submission.report_of(session, kept[1].replication) == kept[1].report
        assert len(replication_reads.page(session, limit=9)) == 3
