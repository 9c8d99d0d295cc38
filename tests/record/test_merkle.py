import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.record import merkle

# From memory: eight leaves that implementations of certificate transparency have been tested with since RFC 6962, and
# the tree heads over the first one, two, ... of them.
LEAVES = [
    bytes.fromhex(each)
    for each in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


def sha256(data):
    return hashlib.sha256(data).digest()


def mth(leaves):
    """RFC 9162 section 2.1.1, word for word."""
    n = len(leaves)
    if n == 0:
        return sha256(b"")
    if n == 1:
        return sha256(b"\x00" + leaves[0])
    k = split(n)
    return sha256(b"\x01" + mth(leaves[:k]) + mth(leaves[k:]))


def split(n):
    k = 1
    while k * 2 < n:
        k *= 2
    return k


def path(m, leaves):
    """RFC 9162 section 2.1.3.1, word for word; m counts from 0."""
    n = len(leaves)
    if n == 1:
        return []
    k = split(n)
    if m < k:
        return [*path(m, leaves[:k]), mth(leaves[k:])]
    return [*path(m - k, leaves[k:]), mth(leaves[:k])]


def subproof(m, leaves, b):
    """RFC 9162 section 2.1.4.1, word for word."""
    n = len(leaves)
    if m == n:
        return [] if b else [mth(leaves)]
    k = split(n)
    if m <= k:
        return [*subproof(m, leaves[:k], b), mth(leaves[k:])]
    return [*subproof(m - k, leaves[k:], False), mth(leaves[:k])]  # noqa: FBT003  # as the RFC writes it


def grown(leaves):
    frontier = merkle.Frontier()
    steps = [frontier]
    for leaf in leaves:
        frontier = frontier.append(merkle.leaf_hash(leaf))
        steps.append(frontier)
    return steps


def numbered(size):
    return [number.to_bytes(4, "big") for number in range(size)]


def stored(leaves):
    steps = grown(leaves)
    return lambda end: merkle.Stored(merkle.leaf_hash(leaves[end - 1]), steps[end].hashes[-1])


def test_the_widely_used_eight_leaves_have_their_published_heads():
    assert [step.root().hex() for step in grown(LEAVES)[1:]] == ROOTS


def test_an_empty_tree_has_the_hash_of_nothing():
    assert merkle.Frontier().root() == hashlib.sha256().digest() == merkle.EMPTY_ROOT


@given(st.lists(st.binary(max_size=40), max_size=70))
def test_a_frontier_agrees_with_the_definition_at_every_size(leaves):
    for size, step in enumerate(grown(leaves)):
        assert step.root() == mth(leaves[:size])
        assert len(step.hashes) == size.bit_count()


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 13, 33])
def test_inclusion_paths_agree_with_the_definition(size):
    leaves = numbered(size)
    for position in range(1, size + 1):
        assert merkle.inclusion_path(stored(leaves), position, size) == path(position - 1, leaves)


@pytest.mark.parametrize("second", [1, 2, 3, 7, 8, 13, 33])
def test_consistency_paths_agree_with_the_definition(second):
    leaves = numbered(second)
    for first in range(1, second + 1):
        assert merkle.consistency_path(stored(leaves), first, second) == subproof(first, leaves, True)  # noqa: FBT003


def test_a_path_in_an_old_size_needs_only_what_was_stored_by_then():
    leaves = numbered(40)
    asked = []

    def noting(end):
        asked.append(end)
        return stored(leaves)(end)

    assert merkle.inclusion_path(noting, 5, 21) == path(4, leaves[:21])
    assert max(asked) <= 21


@pytest.mark.parametrize(("position", "size"), [(0, 3), (4, 3), (1, 0)])
def test_a_leaf_that_is_not_in_the_tree_has_no_path(position, size):
    with pytest.raises(ValueError, match="has no leaf"):
        merkle.inclusion_path(stored([]), position, size)


@pytest.mark.parametrize(("first", "second"), [(0, 3), (4, 3)])
def test_a_tree_that_does_not_begin_another_has_no_proof(first, second):
    with pytest.raises(ValueError, match="begin"):
        merkle.consistency_path(stored([]), first, second)


def test_a_frontier_of_the_wrong_length_is_refused():
    with pytest.raises(ValueError, match="complete subtrees"):
        merkle.Frontier(3, (b"",))


@given(st.integers(1, 90).flatmap(lambda size: st.tuples(st.just(size), st.sets(st.integers(1, size)))))
def test_some_leaves_and_the_subtrees_between_them_make_the_same_head(drawn):
    size, shown = drawn
    leaves = numbered(size)
    lookup = stored(leaves)
    frontier, blocks = merkle.Frontier(), 0
    for position in [*sorted(shown), size + 1]:
        for first, number in merkle.blocks_between(frontier.size, position - 1):
            assert first == frontier.size + 1
            frontier = frontier.extend(merkle.block_hash(lookup, first, number), number)
            blocks += 1
        if position <= size:
            frontier = frontier.append(lookup(position).leaf)
    assert frontier.root() == mth(leaves)
    assert blocks <= (len(shown) + 1) * 2 * size.bit_length()


@pytest.mark.parametrize("leaves", [0, 3, 4])
def test_a_subtree_that_does_not_fit_is_refused(leaves):
    with pytest.raises(ValueError, match="doesn't follow 2 leaves"):
        grown(numbered(2))[-1].extend(b"", leaves)
