import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.record import packed_texts
from service.record.packed_texts import Details, Identifiers
from service.record.words import Words

TEXTS = st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=5), max_size=12)
ALIKE = st.lists(st.text("abc", min_size=3, max_size=3), unique=True, max_size=12)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch):
    monkeypatch.setattr(packed_texts, "_BLOCK", 3)


def hold(found, texts, more):
    found.extend(more)
    again = type(found).of_arrays(*found.arrays())
    for each in (found, again):
        assert list(each) == texts + more
        assert each[1:5] == (texts + more)[1:5]
        assert [each[place] for place in reversed(range(len(each)))] == (texts + more)[::-1]


@given(texts=TEXTS, more=TEXTS)
def test_compressed_texts_are_the_texts(texts, more):
    hold(Details.of(texts), texts, more)


@given(texts=ALIKE, more=ALIKE)
def test_identifiers_are_the_texts(texts, more):
    hold(Identifiers.of(texts), texts, more)


@given(texts=ALIKE, others=st.lists(st.text("abcé", min_size=2, max_size=4), unique=True, max_size=12))
def test_an_identifier_is_found_where_it_stands_and_nothing_else_is(texts, others):
    assert Identifiers.of(texts).places(set(others)) == {
        each: texts.index(each) for each in others if each in texts
    }  # fmt: skip


def test_words_that_were_packed_keep_their_places():
    again = Words(before=Identifiers.of(["one", "two", "six"]))
    assert again.codes(["six", "ten", "one", "ten", "seven"]).tolist() == [2, 3, 0, 3, 4]
    assert again.known(["two", "seven"]).tolist() == [1, 4]
    assert again.places(["ten", "none", "two"]) == [3, -1, 1]
    assert again.said(again.codes(["two", "ten"])) == ["two", "ten"]
    assert list(again.written()) == ["one", "two", "six", "ten", "seven"]


def test_identifiers_of_different_lengths_are_refused():
    with pytest.raises(ValueError, match="one length"):
        Identifiers.of(["one", "three"])
