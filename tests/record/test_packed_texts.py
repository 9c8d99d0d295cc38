import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.record.packed_texts import PackedTexts, packed
from service.record.words import Words

TEXTS = st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=5), unique=True, max_size=12)
ALIKE = st.lists(st.text("abé\0", min_size=3, max_size=3), unique=True, max_size=12)


@given(texts=TEXTS, more=TEXTS)
def test_packed_texts_are_the_texts(texts, more):
    found = PackedTexts(*packed(texts))
    found.extend(more)
    again = PackedTexts(*found.arrays())
    for each in (found, again):
        assert list(each) == texts + more
        assert each[1:5] == (texts + more)[1:5]


@given(texts=ALIKE, others=ALIKE)
def test_what_is_found_is_where_it_stands_and_nothing_of_one_length_is_missed(texts, others):
    found = PackedTexts(*packed(texts)).places(set(others))
    assert all(texts[place] == text for text, place in found.items())
    if len({len(each.encode()) for each in texts}) == 1:
        assert found.keys() == set(texts) & set(others)


def test_words_that_were_packed_keep_their_places():
    words = Words()
    words.codes(["one", "two", "six"])
    again = Words(before=PackedTexts(*words.packed()))
    assert again.codes(["six", "ten", "one", "ten", "seven"]).tolist() == [2, 3, 0, 3, 4]
    assert again.known(["two", "seven"]).tolist() == [1, 4]
    assert again.places(["ten", "none", "two"]) == [3, -1, 1]
    assert again.said(again.codes(["two", "ten"])) == ["two", "ten"]
    assert list(PackedTexts(*again.packed())) == ["one", "two", "six", "ten", "seven"]


def test_texts_that_end_elsewhere_are_refused():
    written, ends = packed(["one", "two"])
    with pytest.raises(ValueError, match="end"):
        PackedTexts(written[:-1], ends)
