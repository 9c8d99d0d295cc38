import hashlib
import hmac
from collections import Counter

import pytest
from scipy import stats

from service.science.errors import InputError
from service.science.keyed_stream import KeyedStream, seed_from

SEED = bytes(range(32))


def test_the_stream_is_hmac_in_counter_mode():
    """Written out from RFC 2104: anyone with the seed can repeat a draw without this code."""
    block = hmac.new(SEED, b"orders triangle\x00" + (0).to_bytes(8, "big"), hashlib.sha256).digest()
    stream = KeyedStream(SEED, "orders triangle")
    drawn = [stream.below(2**64) for _ in range(4)]
    assert drawn == [int.from_bytes(block[start : start + 8], "big") for start in (0, 8, 16, 24)]


def test_draws_repeat_under_one_label_and_not_under_another():
    first, again, other = (KeyedStream(SEED, label) for label in ("codes 0", "codes 0", "codes 1"))
    draws = [[stream.below(1000) for _ in range(50)] for stream in (first, again, other)]
    assert draws[0] == draws[1]
    assert draws[0] != draws[2]


@pytest.mark.parametrize("limit", [2, 3, 6, 7])
def test_draws_are_uniform(limit):
    stream = KeyedStream(SEED, "uniform")
    counts = Counter(stream.below(limit) for _ in range(6000))
    assert sorted(counts) == list(range(limit))
    assert stats.chisquare(list(counts.values())).pvalue > 0.001


def test_the_uneven_remainder_is_dropped():
    """With a limit of three quarters of the range, a quarter of the words must be drawn again."""
    limit = 3 * 2**62
    stream, words = KeyedStream(SEED, "remainder"), KeyedStream(SEED, "remainder")
    raw = [words.below(2**64) for _ in range(400)]
    assert [stream.below(limit) for _ in range(200)] == [word for word in raw if word < limit][:200]


def test_permutations_are_uniform():
    stream = KeyedStream(SEED, "permutations")
    counts = Counter("".join(stream.shuffled("abc")) for _ in range(3000))
    assert len(counts) == 6
    assert stats.chisquare(list(counts.values())).pvalue > 0.001


def test_seeds_as_number_digits_and_bytes():
    assert seed_from(1) == seed_from("0" * 63 + "1") == bytes(31) + b"\x01"
    assert seed_from(SEED) == SEED


@pytest.mark.parametrize("value", [-1, 2**256, True, "12", "g" * 64, b"short", "0x" + "0" * 62])
def test_what_is_not_a_seed(value):
    with pytest.raises(InputError) as refusal:
        seed_from(value)
    assert refusal.value.field == "seed"
