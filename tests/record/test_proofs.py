import hashlib

import pytest

from service.record import ledger, proofs
from service.record.errors import NotFound

SIZE = 21


def node(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


def unhex(path):
    return [bytes.fromhex(each) for each in path]


def root_from_inclusion(index, size, leaf, path):
    """RFC 9162 section 2.1.3.2, word for word; None where it fails."""
    fn, sn, r = index, size - 1, leaf
    for p in path:
        if sn == 0:
            return None
        if fn & 1 or fn == sn:
            r = node(p, r)
            while not fn & 1 and fn != 0:
                fn >>= 1
                sn >>= 1
        else:
            r = node(r, p)
        fn >>= 1
        sn >>= 1
    return r if sn == 0 else None


def consistent(first, second, first_root, second_root, path):
    """RFC 9162 section 2.1.4.2, word for word, for first < second."""
    path = [first_root, *path] if first & (first - 1) == 0 else list(path)
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn >>= 1
        sn >>= 1
    fr = sr = path[0]
    for c in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = node(c, fr), node(c, sr)
            while not fn & 1 and fn != 0:
                fn >>= 1
                sn >>= 1
        else:
            sr = node(sr, c)
        fn >>= 1
        sn >>= 1
    return fr == first_root and sr == second_root and sn == 0


@pytest.fixture
def session(database):
    with database.write() as session:
        for number in range(SIZE):
            ledger.append(session, kind="report", subject=str(number), content={"n": number})
    with database.read() as session:
        yield session


def test_every_entry_is_proved_to_be_in_every_later_ledger(session):
    entries = ledger.entries(session, limit=SIZE)
    for size in (1, 2, 5, 16, SIZE):
        for position in range(1, size + 1):
            proof = proofs.inclusion(session, position, size)
            assert (proof.position, proof.size) == (position, size)
            assert proof.leaf_hash == entries[position - 1].leaf_hash
            assert proof.root_hash == entries[size - 1].root_hash
            root = root_from_inclusion(position - 1, size, bytes.fromhex(proof.leaf_hash), unhex(proof.path))
            assert root is not None
            assert root.hex() == proof.root_hash


def test_every_ledger_is_proved_to_begin_every_later_one(session):
    for second in (2, 5, 16, SIZE):
        for first in range(1, second):
            proof = proofs.consistency(session, first, second)
            roots = unhex([proof.first_root_hash, proof.second_root_hash])
            assert consistent(first, second, *roots, unhex(proof.path))


def test_a_ledger_begins_itself_without_a_path(session):
    proof = proofs.consistency(session, 5, 5)
    assert proof.path == []
    assert proof.first_root_hash == proof.second_root_hash


def test_the_present_size_is_meant_where_none_is_named(session):
    assert proofs.inclusion(session, 3).size == SIZE
    assert proofs.consistency(session, 3).second == SIZE


@pytest.mark.parametrize(("position", "size"), [(0, 5), (6, 5), (1, SIZE + 1), (SIZE + 1, None)])
def test_nothing_is_proved_of_what_is_not_there(session, position, size):
    with pytest.raises(NotFound):
        proofs.inclusion(session, position, size)


@pytest.mark.parametrize(("first", "second"), [(0, 5), (6, 5), (1, SIZE + 1)])
def test_no_consistency_is_proved_beyond_the_ledger(session, first, second):
    with pytest.raises(NotFound):
        proofs.consistency(session, first, second)
