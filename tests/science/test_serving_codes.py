from service.science.keyed_stream import KeyedStream
from service.science.serving_codes import MEANINGFUL, MOST_APART, USABLE, CodeDeck, are_distinct, is_usable
from tests.science.trial_figures import design_checks

PUBLISHED = design_checks()["blinding_codes"]


def deck(label="codes 0"):
    return CodeDeck(KeyedStream(bytes(32), label))


def test_every_published_code_check():
    for check in PUBLISHED["checks"]:
        if "code" in check:
            assert is_usable(check["code"]) is check["accept"], check
        else:
            accepted = all(map(is_usable, check["set"])) and are_distinct(check["set"])
            assert accepted is check["accept"], check


def test_published_counts_of_codes():
    assert len(USABLE) == PUBLISHED["count_passing_all_rules"] == 621
    assert {str(number) for number in PUBLISHED["meaningful_list_example"]} == MEANINGFUL
    assert len({"".join(sorted(code)) for code in USABLE}) <= PUBLISHED["anagram_classes"]


def test_what_is_no_code():
    for text in ("", "12", "1234", "01a", "²³¹", "-12"):
        assert not is_usable(text)


def test_a_session_repeats_no_code_and_no_set_holds_a_rearrangement():
    dealer = deck()
    sets = [dealer.deal(4) for _ in range(MOST_APART // 4)]
    dealt = [code for each in sets for code in each]
    assert len(set(dealt)) == len(dealt)
    assert all(are_distinct(list(each)) for each in sets)
    assert all(map(is_usable, dealt))


def test_a_used_up_deck_is_shuffled_again():
    dealer = deck()
    sets = [dealer.deal(3) for _ in range(400)]
    assert all(are_distinct(list(each)) for each in sets)
    assert {code for each in sets for code in each} == set(USABLE)


def test_codes_are_not_sorted():
    dealer = deck()
    ascending = sum(list(each) == sorted(each) for each in (dealer.deal(3) for _ in range(200)))
    assert 10 < ascending < 60
