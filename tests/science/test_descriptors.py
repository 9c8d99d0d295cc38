import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from service.science.descriptors import DescriptorCounts, compare_descriptors, descriptors_reading, holm
from service.science.errors import InputError


def test_nine_against_two():
    """McNemar with 9 and 2 discordant pairs: exact p .0654296875."""
    found = compare_descriptors([DescriptorCounts("smoky", 3, 9, 2, 6)]).terms[0]
    assert found.p_value == pytest.approx(0.0654296875, rel=1e-12)
    assert found.adjusted_p_value == found.p_value
    assert found.difference.estimate == pytest.approx(0.35)
    assert found.difference.low < 0.35 < found.difference.high


def test_no_discordant_pair_tests_nothing():
    found = compare_descriptors([DescriptorCounts("sour", 8, 0, 0, 3)]).terms[0]
    assert (found.p_value, found.difference.estimate) == (1.0, 0.0)


def test_five_of_five_cannot_reach_one_in_twenty():
    """With five discordant pairs or fewer no two-sided p below .05 is possible: 5 of 5 gives .0625."""
    assert compare_descriptors([DescriptorCounts("woody", 0, 5, 0, 4)]).terms[0].p_value == pytest.approx(0.0625)


def test_the_adjustment_equals_statsmodels():
    p_values = np.array([0.03, 0.001, 0.8, 0.03, 0.012, 1.0])
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], rel=1e-12)


def test_terms_keep_their_order_and_share_the_adjustment():
    terms = [
        DescriptorCounts("fruity", 2, 3, 3, 12),
        DescriptorCounts("buttery", 1, 14, 1, 4),
        DescriptorCounts("clean", 5, 0, 8, 7),
    ]
    found = compare_descriptors(terms)
    assert [each.term for each in found.terms] == ["fruity", "buttery", "clean"]
    assert found.terms[1].adjusted_p_value == pytest.approx(3 * found.terms[1].p_value, rel=1e-12)
    text = descriptors_reading(found, a="the open ferment", b="the closed one")
    assert "\u201cbuttery\u201d was ticked more often for the open ferment than for the closed one" in text
    assert "\u201cclean\u201d was ticked more often for the closed one than for the open ferment" in text
    assert "fruity" not in text
    assert "Three terms were tested" in text


def test_nothing_found_is_not_nothing_there():
    text = descriptors_reading(compare_descriptors([DescriptorCounts("fruity", 2, 3, 3, 12)]))
    assert "No term was shown to differ, and none was shown not to" in text


@pytest.mark.parametrize(
    ("terms", "field", "index"),
    [
        ([], "terms", None),
        ([DescriptorCounts("a", 0, 0, 0, 0)], "terms", 0),
        ([DescriptorCounts("a", 1, 0, 0, 0), DescriptorCounts("a", 1, 0, 0, 0)], "terms", 1),
        ([DescriptorCounts("a", 1, 0, 0, 0), DescriptorCounts("b", 1, -1, 0, 0)], "only_a", 1),
        ([DescriptorCounts(str(place), 1, 0, 0, 0) for place in range(201)], "terms", None),
    ],
)
def test_what_is_refused(terms, field, index):
    with pytest.raises(InputError) as refusal:
        compare_descriptors(terms)
    assert (refusal.value.field, refusal.value.index) == (field, index)


@pytest.mark.parametrize(
    ("only_b", "neither", "extent"),
    [
        (9, 20_000, "by fewer than 1 in 100 pairs"),
        (9, 2000, "by up to 1 in 100 pairs"),
        (10_000, 190_000, "by about 5 in 100 pairs"),
    ],
)
def test_a_small_difference_is_not_rounded_to_none(only_b, neither, extent):
    text = descriptors_reading(compare_descriptors([DescriptorCounts("hot", 0, 0, only_b, neither)]))
    assert text.startswith(f"\u201chot\u201d was ticked more often for the second than for the first, {extent}.")
    assert "One term was tested." in text
