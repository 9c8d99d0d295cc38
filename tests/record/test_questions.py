# what raises is the end of a session's block

from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy.exc import IntegrityError
from uuid_utils.compat import uuid7

from service.record import ledger, questions, replications
from service.record.errors import Conflict, NotFound
from service.record.rows import Counts
from service.record.totals import totals
from tests.record import builders


@pytest.fixture
def author(database):
    with database.write() as session:
        return builders.contributor(session)


def ask(session, author, **given):
    values = {"title": "T", "background": "B", "factor": "F", "stage": "ferment", "arms": builders.ARMS}
    return questions.add(session, author=author, **values | given)


def test_a_question_is_kept_as_it_was_put_and_stands_in_the_ledger(database, author):
    with database.write() as session:
        made = ask(session, author, slug="one")
    with database.read() as session:
        found = questions.by_slug(session, "one")
        assert found == made == questions.get(session, made.id)
        assert (found.status, found.arms) == ("open", builders.ARMS)
        entry = ledger.entry(session, found.position)
        assert (entry.kind, entry.question_id, entry.at) == ("question", made.id, found.created_at)
        assert ledger.content_of(session, found.position)["arms"] == builders.ARMS


def test_slugs_are_found_together(database, author):
    with database.write() as session:
        made = [ask(session, author, slug=slug) for slug in ("one", "two", "three")]
        assert questions.slugs(session, [each.id for each in made[:2]]) == {made[0].id: "one", made[1].id: "two"}


def test_a_slug_is_taken_once(database, author):
    with database.write() as session:
        ask(session, author, slug="one")
    with pytest.raises(Conflict, match="has this slug"), database.write() as session:
        ask(session, author, slug="one")
    with database.read() as session:
        assert ledger.head(session).size == 1


def test_of_writers_who_want_the_same_slug_one_gets_it(database, author):
    def write(_):
        try:
            with database.write() as session:
                ask(session, author, slug="same")
        except Conflict:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(write, range(8))) == 1


def test_there_is_no_question_by_another_name(database):
    with database.write() as session:
        with pytest.raises(NotFound):
            questions.by_slug(session, "none")
        with pytest.raises(NotFound):
            questions.get(session, uuid7())
        with pytest.raises(NotFound):
            questions.lock(session, uuid7())


@pytest.mark.parametrize("wrong", [{"stage": "brew"}])
def test_a_stage_is_one_of_two(database, author, wrong):
    with pytest.raises(IntegrityError, match="stage_known"), database.write() as session:
        ask(session, author, slug="one", **wrong)


def test_pages_go_from_the_newest_to_the_oldest_without_overlap(database, author):
    with database.write() as session:
        for number in range(5):
            ask(session, author, slug=f"q{number}")
    with database.read() as session:
        first = questions.page(session, limit=3)
        second = questions.page(session, limit=3, after=first[-1].question.position)
    assert [each.question.slug for each in first + second] == ["q4", "q3", "q2", "q1", "q0"]


def test_a_search_wants_every_word_somewhere_and_takes_signs_as_they_are(database, author):
    with database.write() as session:
        ask(session, author, slug="must", title="Warm must", factor="temperature")
        ask(session, author, slug="cold", title="Cold MUST", background="100% juice")
        ask(session, author, slug="still", title="Still", stage="distil")

    def slugs(session, **given):
        return [each.question.slug for each in questions.page(session, **given)]

    with database.read() as session:
        assert slugs(session, search="must") == ["cold", "must"]
        assert slugs(session, search="MUST temp") == ["must"]
        assert slugs(session, search="100%") == ["cold"]
        assert slugs(session, search="1%0") == []
        assert slugs(session, search="m_st") == []
        assert slugs(session, stage="distil") == ["still"]
        assert slugs(session, status="closed") == []


def test_a_page_counts_submitted_replications_and_their_households(database, author):
    with database.write() as session:
        asked, quiet = builders.question(session, author), builders.question(session, author)
        brewer = builders.contributor(session)
        for by in (author, author, brewer):
            builders.replication(session, asked, by)
        builders.replication(session, asked, brewer, state="registered")
        out = builders.replication(session, asked, builders.contributor(session))
        replications.retract(session, replication=out, steward=author, category="mixed_up", reason="")
    with database.read() as session:
        counted = {each.question.slug: each.counts for each in questions.page(session)}
        assert totals(session).questions == 2
        assert (totals(session).replications, totals(session).households) == (3, 2)
    assert counted == {asked.slug: Counts(3, 2), quiet.slug: Counts(0, 0)}


def test_protocols_have_versions_from_one_and_never_change(database, author):
    with database.write() as session:
        asked = ask(session, author, slug="one")
        with pytest.raises(NotFound, match="no protocol yet"):
            questions.protocol(session, asked)
        for number in (1, 2):
            made = questions.add_protocol(session, question=asked, author=author, document={"summary": f"{number}"})
            assert made.version == number
    with database.read() as session:
        assert [each.document for each in questions.protocols(session, asked)] == [{"summary": "1"}, {"summary": "2"}]
        assert questions.protocol(session, asked) == made
        assert questions.protocol(session, asked, 1).document == {"summary": "1"}
        assert ledger.last_position_of(session, asked.id) == made.position
        with pytest.raises(NotFound, match="version 3"):
            questions.protocol(session, asked, 3)


def test_versions_written_at_once_have_different_numbers(database, author):
    with database.write() as session:
        asked = ask(session, author, slug="one")

    def write(number):
        with database.write() as session:
            return questions.add_protocol(session, question=asked, author=author, document={"n": number}).version

    with ThreadPoolExecutor(8) as pool:
        assert sorted(pool.map(write, range(8))) == list(range(1, 9))
