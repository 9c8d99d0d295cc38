"""Many texts in a fraction of the memory of as many strings: end to end where all are as long, else compressed."""

import zlib
from abc import ABC, abstractmethod
from collections.abc import Collection, Iterable, Sequence
from typing import Self, overload

import numpy as np
import numpy.typing as npt
from pydantic_core import from_json, to_json

Bytes = npt.NDArray[np.uint8]
IntArray = npt.NDArray[np.int64]

_BLOCK = 128
"""Few enough to be read together where one of them is wanted."""
_LEVEL = 1


class PackedTexts(Sequence[str], ABC):
    """Texts that are packed, and strings that were put in after them."""

    __slots__ = ("_added", "_packed")

    def __init__(self, packed: int) -> None:
        self._packed = packed
        self._added: list[str] = []

    def __len__(self) -> int:
        return self._packed + len(self._added)

    @overload
    def __getitem__(self, index: int) -> str: ...

    @overload
    def __getitem__(self, index: slice) -> list[str]: ...

    def __getitem__(self, index: int | slice) -> str | list[str]:
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(len(self)))]
        if index >= self._packed:
            return self._added[index - self._packed]
        return self._one(index)

    def extend(self, texts: Iterable[str]) -> None:
        """Put more at the end."""
        self._added.extend(texts)

    @abstractmethod
    def _one(self, index: int) -> str: ...

    @abstractmethod
    def places(self, texts: Collection[str]) -> dict[str, int]:
        """Return the places of those of some texts that are found among the packed ones."""

    @abstractmethod
    def arrays(self) -> tuple[Bytes, IntArray]:
        """Return what `of_arrays` makes the same of."""

    @abstractmethod
    def size_bytes(self) -> int:
        """Estimate the memory of the packed ones."""


class Identifiers(PackedTexts):
    """Texts of one length, end to end; new ones are looked for among them.

    Parameters
    ----------
    written : ndarray of uint8
        Their ASCII bytes.
    width : int
        The length of each.

    """

    __slots__ = ("_width", "_written")

    def __init__(self, written: Bytes, width: int) -> None:
        super().__init__(len(written) // width if width else 0)
        self._written, self._width = written, width

    @classmethod
    def of(cls, texts: Sequence[str]) -> Self:
        """Pack texts.

        Raises
        ------
        ValueError
            Their lengths differ.

        """
        width = len(texts[0]) if texts else 0
        if any(len(each) != width for each in texts):
            raise ValueError("identifiers are of one length")
        return cls(_end_to_end(texts), width)

    @classmethod
    def of_arrays(cls, written: Bytes, width: IntArray) -> Self:
        """Take what `arrays` gave."""
        return cls(written, int(width[0]))

    def arrays(self) -> tuple[Bytes, IntArray]:
        """Return their bytes and their length."""
        width = len(self[0]) if len(self) else 0
        return np.concatenate([self._written, _end_to_end(self._added)]), np.array([width], dtype=np.int64)

    def places(self, texts: Collection[str]) -> dict[str, int]:
        """Find some texts among the packed ones, all in one pass."""
        as_long = [text for text in texts if len(text) == self._width]
        if not as_long or not self._packed:
            return {}
        sought = np.sort(np.array([text.encode() for text in as_long], dtype=f"S{self._width}"))
        packed = self._written.view(sought.dtype)
        nearest = np.minimum(np.searchsorted(sought, packed), len(sought) - 1)
        found = np.flatnonzero(sought[nearest] == packed).tolist()
        return {self._one(place): place for place in found}

    def size_bytes(self) -> int:
        """Estimate the memory of the packed ones."""
        return self._written.nbytes

    def _one(self, index: int) -> str:
        return self._written[index * self._width : (index + 1) * self._width].tobytes().decode()


class Details(PackedTexts):
    """Texts compressed some together, for those of which few are ever looked at. None is looked for among them.

    Parameters
    ----------
    blocks : sequence of bytes
        The compressed JSON of lists of texts, all but the last of one length.
    count : int
        How many texts there are.

    """

    __slots__ = ("_at_hand", "_blocks")

    def __init__(self, blocks: Sequence[bytes], count: int) -> None:
        super().__init__(count)
        self._blocks = blocks
        self._at_hand: tuple[int, list[str]] = (-1, [])

    @classmethod
    def of(cls, texts: Sequence[str]) -> Self:
        """Pack texts."""
        return cls(_blocks(texts), len(texts))

    @classmethod
    def of_arrays(cls, written: Bytes, ends: IntArray) -> Self:
        """Take what `arrays` gave."""
        *inner, count = ends.tolist()
        return cls([each.tobytes() for each in np.split(written, inner)][: -(-count // _BLOCK)], count)

    def arrays(self) -> tuple[Bytes, IntArray]:
        """Return the blocks end to end, and where each ends and how many texts there are."""
        full = self._packed // _BLOCK
        blocks = [*self._blocks[:full], *_blocks(self[full * _BLOCK :])]
        ends = np.cumsum([len(each) for each in blocks], dtype=np.int64)
        return np.frombuffer(b"".join(blocks), dtype=np.uint8), np.append(ends, len(self))

    def places(self, texts: Collection[str]) -> dict[str, int]:  # noqa: ARG002  it is the same for any
        """Find none: a second place does them no harm."""
        return {}

    def size_bytes(self) -> int:
        """Estimate the memory of the packed ones."""
        return sum(map(len, self._blocks))

    def _one(self, index: int) -> str:
        number, within = divmod(index, _BLOCK)
        at_hand, texts = self._at_hand
        if at_hand != number:
            texts = from_json(zlib.decompress(self._blocks[number]))
            self._at_hand = number, texts
        return texts[within]


def _end_to_end(texts: Iterable[str]) -> Bytes:
    return np.frombuffer("".join(texts).encode("ascii"), dtype=np.uint8)


def _blocks(texts: Sequence[str]) -> list[bytes]:
    starts = range(0, len(texts), _BLOCK)
    return [zlib.compress(to_json(texts[start : start + _BLOCK]), _LEVEL) for start in starts]
