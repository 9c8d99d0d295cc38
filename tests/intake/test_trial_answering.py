from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from service.intake import trial_answering
from service.intake.refusals import Refused
from service.intake.sealed_documents import TasterAnswer
from service.record import trials
from service.record.database import Database
from service.record.errors import NotFound
from tests.intake.sealed import Table


@pytest.fixture
def table(open_database):
    return Table(open_database())


@pytest.fixture(scope="module")
def shared_table(migrated_sqlite, tmp_path_factory):
    path = tmp_path_factory.mktemp("answering") / "record.db"
    path.write_bytes(migrated_sqlite.read_bytes())
    database = Database(f"sqlite:///{path}")
    yield Table(database)
    database.dispose()


def kept(trial):
    """Every answer in the record, by taster and set."""
    with trial.table.database.read() as session:
        row = trials.get(session, trial.id)
        names = {taster.id: taster.assessor for taster in trials.tasters(session, row)}
        found = trials.answers(session, row)
    return {(names[who], each.presentation): each.answer for who, answers in found.items() for each in answers}


def test_sets_come_one_at_a_time_and_in_order(shared_table):
    trial = shared_table.open()
    seen = []
    for presentation in (1, 2, 3):
        turn = trial.turn()
        assert (turn.presentation, turn.answered, turn.planned, turn.choose) == (presentation, presentation - 1, 3, 1)
        seen += turn.codes
        done = trial.guess()
        assert not done.replayed
        assert (done.kept.presentation, done.kept.finished) == (presentation, presentation == 3)
    assert len(set(seen)) == 9
    turn = trial.turn()
    assert (turn.state, turn.presentation, turn.codes, turn.trial) == ("finished", None, [], f"/v1/trials/{trial.id}")


def test_a_taster_who_has_finished_waits_for_the_others(shared_table):
    trial = shared_table.open(["p1", "p2"], presentations=1)
    trial.guess("p1")
    turn = trial.turn("p1")
    assert (turn.state, turn.presentation, turn.answered, turn.trial) == ("open", None, 1, None)
    assert trial.turn("p2").presentation == 1


def test_the_codes_are_the_keys_in_serving_order(shared_table):
    trial = shared_table.open(["p1", "p2"])
    for each in trial.key()[1]["presentations"]:
        if each["presentation"] == 1:
            assert trial.turn(each["taster"]).codes == [glass["code"] for glass in each["glasses"]]


def test_an_identical_answer_is_answered_again_and_a_different_one_refused(table):
    trial = table.open(method="tetrad", presentations=2)
    one, two, three, _ = trial.turn().codes
    first = trial.answer(1, [one, two], confidence="guess", descriptors={one: ["grainy"], two: []})
    again = trial.answer(1, [two, one], confidence="guess", descriptors={one: ["grainy", "grainy"]})
    assert again.replayed
    assert again.kept == first.kept
    for other in ({"codes": [one, three]}, {"codes": [one, two], "confidence": "sure"}, {"codes": [one, two]}):
        with pytest.raises(Refused) as caught:
            trial.answer(1, **other)
        assert caught.value.kind == "answer_final"
    assert len(kept(trial)) == 1


def test_a_repeated_answer_is_answered_again_after_the_end_too(shared_table):
    trial = shared_table.open(presentations=1)
    code = trial.turn().codes[0]
    first = trial.answer(1, [code])
    assert trial.answer(1, [code]) == trial_answering.Answered(first.kept, replayed=True)


def refusal(trial, presentation, codes, taster="p1", **beside):
    with pytest.raises(Refused) as caught:
        trial.answer(presentation, codes, taster, **beside)
    return caught.value.kind, [fault.pointer for fault in caught.value.faults]


def test_no_set_is_answered_before_its_turn(shared_table):
    trial = shared_table.open()
    codes = [glass["code"] for glass in trial.key()[1]["presentations"][1]["glasses"]]
    assert refusal(trial, 2, codes[:1]) == ("out_of_turn", [])
    assert refusal(trial, 4, codes[:1]) == ("out_of_turn", [])
    assert kept(trial) == {}


def test_nothing_is_answered_after_the_end(shared_table):
    trial = shared_table.open()
    codes = trial.turn().codes
    trial.close()
    assert refusal(trial, 1, codes[:1]) == ("trial_ended", [])
    turn = trial.turn()
    assert (turn.state, turn.codes) == ("closed", [])


def test_only_codes_of_the_present_set_are_taken(shared_table):
    trial = shared_table.open(["p1", "p2"], preference=True)
    mine = trial.turn("p1").codes
    others = trial.turn("p2").codes
    for stranger in (others[0], "000", "the left one"):
        assert refusal(trial, 1, [stranger]) == ("code_not_served", ["/chosen_codes/0"])
    assert refusal(trial, 1, mine[:1], preferred_code=others[0]) == ("code_not_served", ["/preferred_code"])
    assert refusal(trial, 1, mine[:1], descriptors={others[0]: ["grainy"]}) == ("code_not_served", ["/descriptors"])
    assert kept(trial) == {}


def test_a_reference_is_shown_and_not_chosen(shared_table):
    trial = shared_table.open(method="duo_trio")
    turn = trial.turn()
    assert turn.reference_code == turn.codes[0]
    assert refusal(trial, 1, [turn.reference_code]) == ("code_not_served", ["/chosen_codes/0"])
    assert trial.answer(1, turn.codes[1:2]).kept.answered == 1


def test_as_many_codes_are_chosen_as_are_asked(shared_table):
    trial = shared_table.open()
    codes = trial.turn().codes
    assert refusal(trial, 1, codes[:2]) == ("invalid", ["/chosen_codes"])
    tetrad = shared_table.open(method="tetrad")
    codes = tetrad.turn().codes
    assert refusal(tetrad, 1, codes[:1]) == ("invalid", ["/chosen_codes"])
    assert refusal(tetrad, 1, [codes[0], codes[0]]) == ("invalid", ["/chosen_codes"])


def test_only_what_is_asked_is_answered_beside_the_set(shared_table):
    trial = shared_table.open(descriptors=[])
    codes = trial.turn().codes
    assert refusal(trial, 1, codes[:1], preferred_code=None) == ("invalid", ["/preferred_code"])
    assert refusal(trial, 1, codes[:1], descriptors={}) == ("invalid", ["/descriptors"])
    worded = shared_table.open(descriptors=["grainy"])
    codes = worded.turn().codes
    assert refusal(worded, 1, codes[:1], descriptors={codes[0]: ["sour"]}) == ("invalid", ["/descriptors"])


def test_links_of_the_other_kind_and_of_nobody_are_not_found(shared_table):
    trial = shared_table.open()
    for link in (trial.helper, "f" * 64):
        with pytest.raises(NotFound), shared_table.database.read() as session:
            trial_answering.turn(session, link)
        with pytest.raises(NotFound), shared_table.database.write() as session:
            trial_answering.answer(session, link, TasterAnswer(presentation=1, chosen_codes=["345"]))


def test_of_two_identical_answers_at_once_one_is_written_and_both_are_answered(table):
    trial = table.open(presentations=2)
    code = trial.turn().codes[0]
    with ThreadPoolExecutor(8) as pool:
        answered = list(pool.map(lambda _: trial.answer(1, [code]), range(8)))
    assert sorted(each.replayed for each in answered) == [False, *[True] * 7]
    assert len({each.kept.answered_at for each in answered}) == 1
    assert list(kept(trial)) == [("p1", 1)]


def test_of_two_different_answers_at_once_one_stands(table):
    trial = table.open(presentations=2)
    codes = trial.turn().codes

    def try_(code):
        try:
            return trial.answer(1, [code]).kept.presentation
        except Refused as refused:
            return refused.kind

    with ThreadPoolExecutor(3) as pool:
        assert sorted(map(str, pool.map(try_, codes))) == ["1", "answer_final", "answer_final"]


def test_two_last_answers_at_once_end_the_trial_once(table):
    trial = table.open(["p1", "p2", "p3"], presentations=1)
    with ThreadPoolExecutor(3) as pool:
        list(pool.map(trial.guess, ("p1", "p2", "p3")))
    with table.database.read() as session:
        row = trials.get(session, trial.id)
        assert row.ended_by == "tasters"
        assert len(trials.closing(session, [row])[trial.id]["answers"]) == 3


def test_what_is_kept_of_an_answer_says_nothing_of_its_being_right(shared_table):
    trial = shared_table.open(preference=True)
    codes = trial.turn().codes
    beside = {"confidence": 70.0, "notes": "thin", "preferred_code": codes[2], "descriptors": {codes[1]: ["grainy"]}}
    trial.answer(1, codes[:1], **beside)
    assert kept(trial) == {("p1", 1): {"chosen_codes": codes[:1], **beside}}


ACTS = st.lists(
    st.tuples(st.sampled_from(["p1", "p2"]), st.integers(0, 4), st.integers(0, 2), st.sampled_from([None, "guess"])),
    max_size=14,
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS, close_after=st.integers(0, 20))
def test_any_sequence_of_answers_leaves_the_first_of_each_set_in_order(shared_table, acts, close_after):
    """Held against a model: a list of answers for each taster, and whether the trial is open."""
    trial = shared_table.open(["p1", "p2"], presentations=3)
    served = {(each["taster"], each["presentation"]): each["glasses"] for each in trial.key()[1]["presentations"]}
    model = {"p1": [], "p2": []}
    is_open = True
    for number, (taster, presentation, place, confidence) in enumerate(acts):
        if number == close_after:
            trial.close("helper")
            is_open = False
        glasses = served.get((taster, presentation))
        code = glasses[place]["code"] if glasses else "345"
        answered = model[taster]
        if presentation == 0:
            with pytest.raises(ValidationError):
                trial.answer(presentation, [code], taster)
            continue
        beside = {} if confidence is None else {"confidence": confidence}
        expected = (code, confidence)
        if presentation <= len(answered):
            if answered[presentation - 1] == expected:
                assert trial.answer(presentation, [code], taster, **beside).replayed
            else:
                assert refusal(trial, presentation, [code], taster, **beside) == ("answer_final", [])
        elif not is_open:
            assert refusal(trial, presentation, [code], taster, **beside) == ("trial_ended", [])
        elif presentation != len(answered) + 1 or presentation > 3:
            assert refusal(trial, presentation, [code], taster, **beside) == ("out_of_turn", [])
        else:
            assert not trial.answer(presentation, [code], taster, **beside).replayed
            answered.append(expected)
            is_open = sum(map(len, model.values())) < 6
    stands = {
        (taster, number): {"chosen_codes": [code]} | ({} if confidence is None else {"confidence": confidence})
        for taster, answers in model.items()
        for number, (code, confidence) in enumerate(answers, start=1)
    }
    assert kept(trial) == stands
    # Room for the next example: a replication has a bounded number of trials.
    shared_table.replication_id = shared_table.registered()


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"presentation": 0}, "presentation"),
        ({"presentation": "1"}, "presentation"),
        ({"chosen_codes": []}, "chosen_codes"),
        ({"chosen_codes": "345"}, "chosen_codes"),
        ({"chosen_codes": [345]}, "chosen_codes"),
        ({"chosen_codes": ["1", "2", "3", "4", "5"]}, "chosen_codes"),
        ({"confidence": 101}, "confidence"),
        ({"confidence": True}, "confidence"),
        ({"notes": "x" * 2001}, "notes"),
        ({"notes": "a\x00b"}, "notes"),
        ({"descriptors": ["fruity"]}, "descriptors"),
        ({"arm": "control"}, "arm"),
    ],
)
def test_bad_input_is_refused_by_name(changes, where):
    with pytest.raises(ValidationError) as caught:
        TasterAnswer.model_validate({"presentation": 1, "chosen_codes": ["345"], **changes})
    assert {error["loc"][0] for error in caught.value.errors()} == {where}
