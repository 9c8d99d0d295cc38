import pytest
from pydantic import ValidationError

from service.intake import trial_opening
from service.intake.refusals import Refused
from service.intake.sealed_documents import TrialOpening
from service.intake.trial_keys import key_of
from service.record import contributors, trials
from service.record.database import Database
from service.record.errors import Conflict, NoSealingKey
from service.record.sealing import commitment
from service.science.serving import serving_plan
from tests.intake.sealed import Table

SENT = {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 3, "tasters": ["p1"]}


@pytest.fixture
def table(open_database):
    return Table(open_database())


@pytest.fixture
def sqlite_table(sqlite_url):
    database = Database(sqlite_url)
    yield Table(database)
    database.dispose()


def test_the_key_is_what_its_seed_draws_and_what_was_committed_to(table):
    trial = table.open(["p1", "p2"], presentations=4)
    salt, key = trial.key()
    assert trial.opened.trial.key_commitment == commitment(bytes.fromhex(salt), key)
    seed = bytes.fromhex(key["seed"])
    plan = serving_plan("triangle", 4, ("control", "treatment"), seed, tasters=2)
    assert key == key_of(trial.id, seed, plan, ["p1", "p2"])
    assert (key["order_draw"], trial.opened.planned) == ("blocks", 8)


def test_a_lone_tasters_orders_are_each_drawn_afresh(sqlite_table):
    assert sqlite_table.open().key()[1]["order_draw"] == "each_afresh"


def test_no_two_trials_share_a_seed_a_salt_or_a_commitment(sqlite_table):
    opened = [sqlite_table.open() for _ in range(3)]
    keys = [trial.key() for trial in opened]
    assert len({key["seed"] for _, key in keys}) == len({salt for salt, _ in keys}) == 3
    assert [trial.opened.trial.number for trial in opened] == [1, 2, 3]


def test_a_sham_trial_pours_two_batches_of_one_arm(sqlite_table):
    _, key = sqlite_table.open(treatment="control").key()
    glasses = [glass for each in key["presentations"] for glass in each["glasses"]]
    assert {glass["arm"] for glass in glasses} == {"control"}
    assert {glass["letter"] for glass in glasses} == {"A", "B"}


def test_sixteen_tasters_have_a_sheet_each(sqlite_table):
    trial = sqlite_table.open([f"p{number}" for number in range(1, 17)], presentations=12)
    assert trial.opened.planned == 192
    assert {each["taster"] for each in trial.key()[1]["presentations"]} == set(trial.links)


def test_pour_strength_and_words_come_from_the_protocol(sqlite_table):
    serving = sqlite_table.open().opened.trial.serving
    assert (serving["pour_ml"], serving["abv_percent"], serving["assumed"]) == (15, 20, [])
    assert (serving["preference"], serving["descriptors"]) == (False, ["grainy"])
    assert sqlite_table.open().opened.alcohol.poured_g_per_day == pytest.approx(3 * 3 * 15 * 0.2 * 0.7893)


def test_liking_is_asked_where_the_protocol_or_the_owner_has_it(sqlite_table):
    outcomes = [{"outcome": "perceivable_difference", "primary": True}, {"outcome": "preference"}]
    table = Table(sqlite_table.database, outcomes=outcomes)
    assert table.open().opened.trial.serving["preference"] is True
    assert table.open(preference=False).opened.trial.serving["preference"] is False
    assert table.open(descriptors=["fruity"]).opened.trial.serving["descriptors"] == ["fruity"]


def refused(table, **given):
    with pytest.raises(Refused) as caught:
        table.open(**given)
    return [(fault.pointer, caught.value.kind) for fault in caught.value.faults]


def test_what_treats_the_batches_unlike_is_not_asked(sqlite_table):
    for given in ({"treatment": "control"}, {"method": "three_afc"}):
        serving = sqlite_table.open(**given).opened.trial.serving
        assert (serving["preference"], serving["descriptors"]) == (False, [])
        assert refused(sqlite_table, preference=True, **given) == [("/preference", "invalid")]
        assert refused(sqlite_table, descriptors=["fruity"], **given) == [("/descriptors", "invalid")]


def test_arms_must_be_the_questions_the_right_way_round(sqlite_table):
    assert refused(sqlite_table, control="left") == [("/control", "invalid")]
    assert refused(sqlite_table, treatment="right") == [("/treatment", "invalid")]
    assert refused(sqlite_table, control="treatment", treatment="control") == [("/treatment", "invalid")]
    assert sqlite_table.open(control="treatment", treatment="fined").opened.planned == 3


def test_only_the_owner_opens_one_and_others_learn_nothing(sqlite_table):
    with sqlite_table.database.write() as session:
        stranger = contributors.create(session, display_name="Other", token_hash="b" * 64)
    with pytest.raises(Refused) as caught, sqlite_table.database.write() as session:
        trial_opening.open_trial(
            session,
            stranger,
            sqlite_table.replication_id,
            TrialOpening.model_validate(SENT),
            helper_hash="1" * 64,
            taster_hashes=["2" * 64],
        )
    assert caught.value.kind == "not_found"


def test_only_while_it_is_registered(table):
    table.submit()
    with pytest.raises(Conflict, match="submitted"):
        table.open()


def test_a_host_without_a_key_says_so_and_keeps_nothing(table):
    table.database.seal_under("")
    with pytest.raises(NoSealingKey):
        table.open()
    with table.database.read() as session:
        assert trials.of_replication(session, table.replication_id) == []


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"method": "quadrangle"}, "method"),
        ({"presentations": 0}, "presentations"),
        ({"presentations": 501}, "presentations"),
        ({"presentations": 2.5}, "presentations"),
        ({"tasters": []}, "tasters"),
        ({"tasters": ["p1", "p1"]}, "tasters"),
        ({"tasters": [""]}, "tasters"),
        ({"tasters": [f"p{number}" for number in range(101)]}, "tasters"),
        ({"presentations": 500, "tasters": ["a", "b", "c", "d", "e"]}, "tasters"),
        ({"pour_ml": 0.05}, "pour_ml"),
        ({"pour_ml": "1 kg"}, "pour_ml"),
        ({"abv_percent": 101}, "abv_percent"),
        ({"swallowed_fraction": 1.5}, "swallowed_fraction"),
        ({"days": 0}, "days"),
        ({"descriptors": ["dry", "dry"]}, "descriptors"),
        ({"seed": "00"}, "seed"),
    ],
)
def test_bad_input_is_refused_by_name(changes, where):
    with pytest.raises(ValidationError) as caught:
        TrialOpening.model_validate({**SENT, **changes})
    assert {error["loc"][0] for error in caught.value.errors()} == {where}
