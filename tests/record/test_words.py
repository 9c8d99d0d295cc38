import numpy as np

from service.record.words import Words, distinct, is_among, numbered, occurring


def test_a_text_keeps_its_place_and_is_understood_once():
    asked = []
    words = Words(lambda text: asked.append(text) or text.upper())
    first = words.codes(["a", "b", "a"])
    assert first.tolist() == [0, 1, 0]
    assert words.codes(["c", "b"]).tolist() == [2, 1]
    assert words.said(first) == ["A", "B", "A"]
    assert asked == ["a", "b", "c"]
    assert words.known(["b", "c"]).tolist() == [1, 2]


def test_a_text_that_was_never_seen_is_nowhere():
    words = Words()
    codes = words.codes(["a", None])
    assert words.place("z") not in codes
    assert (codes == words.place(None)).tolist() == [False, True]


def test_a_meaning_is_tested_once_and_only_where_it_occurs():
    words, tested = Words(), []
    codes = words.codes(["a", "b", "c", "b"])[1:]
    assert words.those(codes, lambda text: tested.append(text) or text == "b").tolist() == [True, False, True]
    assert sorted(tested) == ["b", "c"]
    assert distinct(codes) == 2
    assert distinct(np.empty(0, dtype=np.int32)) == 0


def test_numbers_go_up_in_order_of_first_appearance():
    codes = np.random.default_rng(3).integers(0, 40, 100)
    number, first = numbered(codes)
    seen = list(dict.fromkeys(codes.tolist()))
    assert number.tolist() == [seen.index(each) for each in codes.tolist()]
    assert first.tolist() == [codes.tolist().index(each) for each in seen]
    assert [len(each) for each in numbered(codes[:0])] == [0, 0]


def test_codes_are_found_among_others():
    codes, those = np.array([3, 1, 0, 3, 7]), np.array([1, 3, 4])
    assert is_among(codes, those).tolist() == [True, True, False, True, False]
    assert is_among(those, codes).tolist() == [True, True, False]
    assert is_among(codes, those[:0]).tolist() == [False] * 5
    assert is_among(codes[:0], those).tolist() == []
    assert occurring(codes) == [0, 1, 3, 7]
    assert occurring(codes[:0]) == []
