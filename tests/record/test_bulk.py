import dataclasses
import itertools
import shutil
from datetime import UTC, date, datetime, timedelta
from uuid import UUID, uuid4

import pytest
from sqlalchemy import event

from service.record import bulk, contributors, ledger, merging, replication_reads, replications
from service.record.canonical import canonical_bytes
from service.record.database import Database
from service.record.errors import Conflict
from service.record.observations import observation_values
from service.record.replications import trial_values
from service.record.tables import metadata
from service.record.verify import verify
from tests.record import builders

NOON = datetime(2031, 5, 17, 12, tzinfo=UTC)
NAMED_BY_CHANCE = {"replication_revision", "declared_trial"}


def reduced(number):
    return {
        "trials": [builders.trial(correct=number % 12, tasted_on=date(2031, 5, 17)), builders.trial(planned=12)],
        "observations": [
            builders.observation(correct=number % 12, flags=("a",), moderators={"still": "pot"}),
            builders.observation(method=None, variance=0.5, control_event=True, details={"unit": "€"}),
        ],
    }


def new_start(question, contributor, *, number=1, **given):
    name = UUID(int=number)
    document = {"question": question.slug, "notes": f"run {number}"}
    values = {
        "id": name,
        "question_id": question.id,
        "contributor_id": contributor.id,
        "household_id": contributor.household_id,
        "protocol_version": 1,
        "plan": {"method": "triangle", "presentations": 12},
        "state": "submitted",
        "fingerprint": f"{number:064x}",
    } | given
    content = replications.revision_content(
        replication_id=values["id"],
        question_id=question.id,
        protocol_version=1,
        contributor_id=contributor.id,
        household_id=contributor.household_id,
        plan=values["plan"],
        state=values["state"],
        revision=1,
        reason=None,
        document=document,
    )
    rows = {"trials": [], "observations": []} if values["state"] == "registered" else reduced(number)
    return bulk.NewStart(
        **values,
        text=canonical_bytes(content),
        trials=trial_values(rows["trials"]),
        observations=observation_values(rows["observations"]),
    ), (document, rows)


def test_many_starts_write_the_rows_of_as_many_single_ones(sqlite_url, tmp_path, monkeypatch):
    base = Database(sqlite_url, clock=lambda: NOON)
    with base.write() as session:
        author = builders.contributor(session)
        asked = builders.question(session, author)
    base.dispose()
    written = []
    for together in (False, True):
        copy = shutil.copy(sqlite_url.removeprefix("sqlite:///"), tmp_path / f"{together}.db")
        written.append(_written(f"sqlite:///{copy}", asked, author, monkeypatch, together=together))
    assert written[0] == written[1]
    assert len(written[0]["declared_trial"]) == len(written[0]["observation"]) == 4


def _written(url, asked, author, monkeypatch, *, together):
    """Every table after three starts, with salts and times that come out the same every time."""
    salts, moments = itertools.count(), itertools.count(1)
    monkeypatch.setattr(ledger.secrets, "token_bytes", lambda size: next(salts).to_bytes(size, "big"))
    database = Database(url, clock=lambda: NOON + timedelta(seconds=next(moments)))
    coming = [
        new_start(asked, author, number=1),
        new_start(asked, author, number=2, state="registered"),
        new_start(asked, author, number=3),
    ]
    with database.write() as session:
        if together:
            entries = bulk.start_all(
                session, [start for start, _ in coming], [NOON + timedelta(minutes=n) for n in range(3)]
            )
            assert [entry.position for entry in entries] == [3, 4, 5]
        else:
            for number, (start, (document, rows)) in enumerate(coming):
                session.info["clock"] = lambda number=number: NOON + timedelta(minutes=number)
                names = itertools.chain([start.id], iter(uuid4, None))
                monkeypatch.setattr(replications, "uuid7", lambda names=names: next(names))
                _start_alone(session, asked, author, start, document, rows)
    with database.read() as session:
        assert verify(session).whole
        rows = {
            table.name: [
                {name: value for name, value in row.items() if name != "id" or table.name not in NAMED_BY_CHANCE}
                for row in session.execute(table.select()).mappings()
            ]
            for table in metadata.sorted_tables
        }
    database.dispose()
    return rows


def _start_alone(session, asked, author, start, document, rows):
    replications.start(
        session,
        question=asked,
        contributor=author,
        protocol_version=1,
        plan=start.plan,
        state=start.state,
        document=document,
        fingerprint=start.fingerprint,
        **rows,
    )


def test_a_question_that_is_not_open_undoes_all(database):
    with database.write() as session:
        author = builders.contributor(session)
        asked, other = builders.question(session, author), builders.question(session, author)
        merging.merge(session, question=asked, into=other, steward=author, reason="the same")
    coming = [new_start(other, author, number=1)[0], new_start(asked, author, number=2)[0]]
    with pytest.raises(Conflict, match="merged"), database.write() as session:
        bulk.start_all(session, coming)
    with database.read() as session:
        assert bulk.present(session, [each.id for each in coming]) == set()
        assert verify(session).whole


def test_what_is_there_and_what_is_a_copy_is_found_in_one_look(database):
    with database.write() as session:
        author = builders.contributor(session)
        asked = builders.question(session, author)
        first, second = new_start(asked, author, number=1)[0], new_start(asked, author, number=2, state="registered")[0]
        bulk.start_all(session, [first])
        bulk.start_all(session, [second])
        assert bulk.present(session, [first.id, second.id, UUID(int=9)]) == {first.id, second.id}
        # What is only registered has no result to copy.
        beginnings = [first.fingerprint[:32], second.fingerprint[:32]]
        assert replication_reads.fingerprints_like(session, asked.id, beginnings) == {first.fingerprint}


def test_members_join_once_and_nobody_is_changed(database):
    home, names = UUID(int=1), [UUID(int=2), UUID(int=3)]
    members = [bulk.Member(id=name, household_id=home, display_name="here") for name in names]
    with database.write() as session:
        bulk.join(session, members[:1])
        bulk.join(session, [dataclasses.replace(members[0], display_name="elsewhere"), *members])
    with database.read() as session:
        found = [contributors.get(session, name) for name in names]
    assert [(each.household_id, each.display_name) for each in found] == [(home, "here")] * 2
    assert not any(each.is_steward or each.token_hash for each in found)


def test_what_was_started_together_is_read_as_any_other(database):
    with database.write() as session:
        author = builders.contributor(session)
        asked = builders.question(session, author)
        start, (document, rows) = new_start(asked, author)
        bulk.start_all(session, [start])
    with database.read() as session:
        replication = replication_reads.get(session, start.id)
        assert replication_reads.document(session, replication) == document
        assert replication_reads.trials(session, replication) == rows["trials"]


@pytest.mark.parametrize("ways", [1, 2, 200])
def test_what_is_like_a_document_is_found_by_an_index_however_much_its_question_has(sqlite_url, ways):
    database = Database(sqlite_url)
    plans = []
    with database.read() as session:

        @event.listens_for(session.connection(), "before_cursor_execute")
        def explain(connection, cursor, statement, parameters, _context, _many):
            if "replication" in statement:
                plans.extend(cursor.execute(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall())

        beginnings = [f"{number:032x}" for number in range(ways)]
        assert replication_reads.fingerprints_like(session, UUID(int=1), beginnings) == set()
    database.dispose()
    searches = [step for *_, step in plans if "replication" in step]
    assert len(searches) == ways
    assert all(each.startswith("SEARCH replication USING INDEX ix_replication_fingerprint ") for each in searches)
