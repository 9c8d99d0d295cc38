import json
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from sqlalchemy import text

from service.record import ledger, replications, trials
from service.record.erasure import erase
from service.record.errors import Conflict, NoSealingKey, NotFound
from service.record.rows import TrialTaster
from service.record.sealing import commitment
from service.record.verify import verify
from tests.record import builders

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)
KEY = {"seed": "5e" * 32, "presentations": [{"order": "ABA"}]}


@pytest.fixture
def database(open_database):
    database = open_database()
    database.seal_under("0123456789abcdef" * 4)
    return database


@pytest.fixture
def session(database):
    with database.write() as session:
        yield session


@pytest.fixture
def brewer(session):
    return builders.contributor(session)


@pytest.fixture
def registered(session, brewer):
    return builders.replication(session, builders.question(session, brewer), brewer, state="registered")


def opened(session, replication, **given):
    values = {
        "id": uuid4(),
        "method": "triangle",
        "control": "control",
        "treatment": "treatment",
        "presentations": 3,
        "order_draw": "blocks",
        "serving": {"preference": False, "descriptors": []},
        "key": KEY,
        "helper_hash": uuid4().hex * 2,
        "tasters": [TrialTaster(id=uuid4(), assessor=name, hash=uuid4().hex * 2) for name in ("p1", "p2")],
    }
    return trials.open_trial(session, replication=replication, opening=trials.Opening(**values | given))


def test_a_trial_is_kept_with_its_key_under_seal_and_a_commitment_in_the_ledger(session, registered):
    trial = opened(session, registered)
    salt, key = trials.unsealed(session, trial)
    assert key == KEY
    assert trial.key_commitment == commitment(bytes.fromhex(salt), KEY)
    entry = ledger.entry(session, trial.opened_position)
    assert (entry.kind, entry.subject, entry.at) == ("trial-opened", str(trial.id), trial.opened_at)
    assert trial.due_at - trial.opened_at == timedelta(days=30)
    ledger_salt, content = trials.opening(session, trial)
    assert content["key_commitment"] == trial.key_commitment
    assert content["tasters"] == ["p1", "p2"]
    assert ledger.content_hash(bytes.fromhex(ledger_salt), json_bytes(content)) == entry.content_hash


def json_bytes(content):
    return json.dumps(content, separators=(",", ":"), sort_keys=True).encode()


def test_nothing_of_the_key_or_the_salt_stands_in_any_table(session, registered):
    trial = opened(session, registered)
    salt, _ = trials.unsealed(session, trial)
    for table in ("sealed_trial", "sealed_taster", "ledger_content", "ledger_entry"):
        rows = str(session.execute(text(f"SELECT * FROM {table}")).all())  # noqa: S608  # our own names
        assert KEY["seed"] not in rows, table
        assert "ABA" not in rows, table
        assert salt not in rows, table


def test_tasters_and_trials_are_found_by_the_hash_of_their_own_kind_of_link(session, registered):
    trial = opened(session, registered)
    first, second = trials.tasters(session, trial)
    assert [first.assessor, second.assessor] == ["p1", "p2"]
    assert trials.by_helper_hash(session, trial.helper_hash).id == trial.id
    found, taster = trials.by_taster_hash(session, second.hash)
    assert (found.id, taster) == (trial.id, second)
    for look, hashed in (
        (trials.by_helper_hash, first.hash),
        (trials.by_taster_hash, trial.helper_hash),
        (trials.by_taster_hash, "0" * 64),
    ):
        with pytest.raises(NotFound, match=r"^There is no such trial\.$"):
            look(session, hashed)
    with pytest.raises(NotFound):
        trials.get(session, uuid4())


def test_only_a_registered_replication_takes_trials(session, brewer, registered):
    submitted = builders.replication(session, builders.question(session, brewer), brewer)
    with pytest.raises(Conflict, match="is submitted"):
        opened(session, submitted)
    replications.withdraw(session, replication=registered, category="consent", reason="none")
    with pytest.raises(Conflict, match="is withdrawn"):
        opened(session, registered)


def test_a_replication_has_a_bounded_number_of_trials(session, registered, monkeypatch):
    monkeypatch.setattr(trials, "_MOST_OF_ONE_REPLICATION", 2)
    assert [opened(session, registered).number for _ in range(2)] == [1, 2]
    with pytest.raises(Conflict, match="at most 2"):
        opened(session, registered)
    assert [each.number for each in trials.of_replication(session, registered.id)] == [1, 2]


def test_answers_are_kept_in_order_and_never_before_the_trial(open_database):
    shown = [NOON]
    database = open_database(clock=lambda: shown[0])
    database.seal_under("0123456789abcdef" * 4)
    with database.write() as session:
        brewer = builders.contributor(session)
        replication = builders.replication(session, builders.question(session, brewer), brewer, state="registered")
        trial = opened(session, replication)
        shown[0] = NOON - timedelta(hours=1)
        first, second = trials.tasters(session, trial)
        assert trials.answers(session, trial) == {}
        assert not trials.any_answer(session, replication.id)
        for taster, presentation in ((second, 1), (first, 1), (first, 2)):
            kept = trials.keep_answer(
                session, trial=trial, taster=taster, presentation=presentation, answer={"chosen_codes": ["345"]}
            )
            assert kept.answered_at == trial.opened_at
        found = trials.answers(session, trial)
        assert [each.presentation for each in found[first.id]] == [1, 2]
        assert [each.answer for each in found[second.id]] == [{"chosen_codes": ["345"]}]
        assert trials.any_answer(session, replication.id)


def test_an_end_is_written_once_with_its_reason(session, registered):
    trial = opened(session, registered)
    assert trials.closing(session, [trial]) == {}
    trials.close(session, trial=trials.locked(session, trial.id), ended_by="helper", content={"key": KEY})
    entry = ledger.entry(session, trial.closed_position)
    assert (entry.kind, entry.subject, entry.at) == ("trial-closed", str(trial.id), trial.closed_at)
    assert trials.closing(session, [trial]) == {trial.id: {"key": KEY}}
    with pytest.raises(Conflict, match="ended already"):
        trials.close(session, trial=trial, ended_by="owner", content={})


def test_a_trial_is_due_after_thirty_days_and_then_ended_when_it_was_due(open_database):
    shown = [NOON]
    database = open_database(clock=lambda: shown[0])
    database.seal_under("0123456789abcdef" * 4)
    with database.write() as session:
        brewer = builders.contributor(session)
        replication = builders.replication(session, builders.question(session, brewer), brewer, state="registered")
        trial = opened(session, replication)
        shown[0] = NOON + timedelta(days=30, microseconds=-1)
        assert not trials.is_due(session, trial)
        shown[0] = NOON + timedelta(days=45)
        assert trials.is_due(session, trial)
        trials.close(session, trial=trial, ended_by="age", content={})
        assert trial.closed_at == NOON + timedelta(days=30)
        assert ledger.entry(session, trial.closed_position).at == NOON + timedelta(days=45)
        assert not trials.is_due(session, trial)


def test_openings_of_the_pour_sheet_are_counted_from_the_first(session, registered):
    trial = opened(session, registered)
    for _ in range(3):
        trials.count_opening(session, trial)
    assert trial.pour_sheet_openings == 3
    assert trial.opened_at <= trial.pour_sheet_opened_at


def test_without_a_sealing_key_nothing_is_opened(open_database):
    database = open_database()
    database.seal_under("")
    with database.write() as session:
        brewer = builders.contributor(session)
        replication = builders.replication(session, builders.question(session, brewer), brewer, state="registered")
        before = ledger.head(session).size
    with pytest.raises(NoSealingKey), database.write() as session:
        opened(session, replication)
    with database.read() as session:
        assert ledger.head(session).size == before


def test_erasure_takes_trials_and_answers_and_leaves_the_tree_whole(session, brewer, registered):
    trial = opened(session, registered)
    taster = trials.tasters(session, trial)[0]
    trials.keep_answer(session, trial=trial, taster=taster, presentation=1, answer={"notes": "like my aunt's attic"})
    trials.close(session, trial=trial, ended_by="owner", content={"answers": ["like my aunt's attic"]})
    trial_id = trial.id
    erase(session, brewer)
    session.expire_all()
    with pytest.raises(NotFound):
        trials.get(session, trial_id)
    assert trials.was_erased(session, trial_id)
    assert not trials.was_erased(session, uuid4())
    assert verify(session).whole
    assert not any("attic" in each for each in session.execute(text("SELECT content FROM ledger_content")).scalars())
    assert session.execute(text("SELECT count(*) FROM sealed_answer")).scalar_one() == 0
