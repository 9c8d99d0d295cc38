"""Columns that grow: what comes later goes into room behind them, while others see them as they were."""

from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

_SPARE = 16
"""A column gets room for one in so many of its rows."""


class Room:
    """The room behind the newest of a question's columns, by their names; for one who follows it at a time."""

    __slots__ = ("_filled",)

    def __init__(self) -> None:
        self._filled: dict[str, tuple[Array, int]] = {}

    def joined(self, name: str, column: Array, more: Array) -> Array:
        """Put more behind a column, which is copied only where no room is left that nobody has filled yet."""
        end, kind = len(column) + len(more), np.result_type(column, more)
        whole, filled = self._filled.get(name, (column, 0))
        if column.base is not whole or filled != len(column) or end > len(whole) or kind != whole.dtype:
            whole = np.empty(end + end // _SPARE, dtype=kind)
            whole[: len(column)] = column
        whole[len(column) : end] = more
        self._filled[name] = whole, end
        return whole[:end]
