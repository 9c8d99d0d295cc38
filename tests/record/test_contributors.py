import pytest
from sqlalchemy import text
from sqlalchemy.exc import DataError, IntegrityError
from uuid_utils.compat import uuid7

from service.record import contributors, ledger
from service.record.errors import Conflict, NotFound
from tests.record import builders, plain_reads


def test_a_contributor_starts_in_a_household_of_their_own(database):
    with database.write() as session:
        one, other = builders.contributor(session), builders.contributor(session)
    assert one.household_id != other.household_id
    assert not one.is_steward
    with database.read() as session:
        assert contributors.get(session, one.id) == one


def test_whoever_has_the_token_is_found_until_it_is_replaced_or_revoked(database):
    with database.write() as session:
        made = builders.contributor(session, token_hash="a" * 64)
    with database.write() as session:
        assert contributors.by_token_hash(session, "a" * 64) == made
        contributors.set_token_hash(session, made, "b" * 64)
    with database.write() as session:
        assert contributors.by_token_hash(session, "a" * 64) is None
        found = contributors.by_token_hash(session, "b" * 64)
        contributors.set_token_hash(session, found, None)
    with database.read() as session:
        assert contributors.by_token_hash(session, "b" * 64) is None


def test_nobody_is_found_by_an_unknown_id(database):
    with database.read() as session, pytest.raises(NotFound):
        contributors.get(session, uuid7())


@pytest.mark.parametrize("name", ["", "x" * 81])
def test_a_name_has_one_to_eighty_characters(database, name):
    with pytest.raises((IntegrityError, DataError)), database.write() as session:
        builders.contributor(session, display_name=name)


def test_a_join_code_brings_two_people_into_one_kitchen_until_there_is_a_newer_one(database):
    with database.write() as session:
        host, guest, late = (builders.contributor(session) for _ in range(3))
        contributors.new_join_code(session, host.household_id, "c" * 64)
        assert contributors.join_household(session, guest, "c" * 64).household_id == host.household_id
        contributors.new_join_code(session, host.household_id, "d" * 64)
        with pytest.raises(NotFound):
            contributors.join_household(session, late, "c" * 64)


def test_what_was_done_before_joining_stays_with_the_household_it_was_done_in(database):
    with database.write() as session:
        host, guest = builders.contributor(session), builders.contributor(session)
        question = builders.question(session, host)
        before = builders.replication(session, question, guest)
        contributors.new_join_code(session, host.household_id, "c" * 64)
        guest = contributors.join_household(session, guest, "c" * 64)
        after = builders.replication(session, question, guest)
    assert before.household_id != host.household_id
    assert after.household_id == host.household_id


def test_a_stewards_word_counts_from_its_position_on_and_touches_every_question(database):
    with database.write() as session:
        steward, brewer = builders.contributor(session, steward=True), builders.contributor(session)
        asked = [builders.question(session, steward) for _ in range(2)]
        for question in asked:
            builders.replication(session, question, brewer)
        before = ledger.head(session).size
        brewer = contributors.vouch(session, contributor=brewer, steward=steward)
    with database.read() as session:
        assert brewer.vouched_position == before + 1
        assert {ledger.last_position_of(session, question.id) for question in asked} == {before + 1, before + 2}
        for question in asked:
            last = ledger.last_position_of(session, question.id)
            assert [each.vouched for each in plain_reads.at_position(session, question.id, last)] == [True]
            assert [each.vouched for each in plain_reads.at_position(session, question.id, before)] == [False]


def test_somebody_without_replications_is_vouched_for_in_one_entry(database):
    with database.write() as session:
        steward, brewer = builders.contributor(session, steward=True), builders.contributor(session)
        assert contributors.vouch(session, contributor=brewer, steward=steward).vouched_position == 1
        with pytest.raises(Conflict):
            contributors.vouch(session, contributor=brewer, steward=steward)


def test_no_row_points_at_a_household_that_is_not_there(database):
    with database.write() as session:
        builders.contributor(session)
    with pytest.raises(IntegrityError), database.write() as session:
        session.execute(text("DELETE FROM household"))
