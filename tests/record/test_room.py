"""Columns that grow keep what was seen of them, and are joined as by copying."""

from itertools import pairwise

import numpy as np
import pytest

from service.record.room import Room


def _grown(room, column, times):
    seen = [column]
    for each in range(times):
        seen.append(room.joined("a", seen[-1], np.array([each], dtype=np.int16)))
    return seen


def test_what_was_seen_stays_as_it_was():
    seen = _grown(Room(), np.arange(40, dtype=np.int16), 20)
    for count, column in enumerate(seen):
        assert column.tolist() == [*range(40), *range(count)]


def test_a_column_is_copied_only_where_no_room_is_left():
    seen = _grown(Room(), np.arange(40, dtype=np.int16), 3)
    assert [np.shares_memory(one, other) for one, other in pairwise(seen)] == [False, True, True]


def test_two_that_grow_from_one_column_do_not_meet():
    room = Room()
    column = _grown(room, np.arange(40, dtype=np.int16), 1)[-1]
    one, other = (room.joined("a", column, np.array([each], dtype=np.int16)) for each in (7, 8))
    assert (one[-1], other[-1]) == (7, 8)


@pytest.mark.parametrize("more", [np.array([2**40]), np.array([0.5])])
def test_wider_values_widen_the_column(more):
    column = _grown(Room(), np.arange(40, dtype=np.int16), 1)[-1]
    assert Room().joined("a", column, more).tolist() == [*column.tolist(), *more.tolist()]
