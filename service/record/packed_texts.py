"""Many texts end to end, a fifth of the memory of as many strings."""

from collections.abc import Collection, Iterable, Sequence
from typing import overload

import numpy as np
import numpy.typing as npt


class PackedTexts(Sequence[str]):
    """Texts in order; each of those that were packed is decoded when it is looked at.

    Parameters
    ----------
    written : ndarray of uint8
        Their UTF-8 bytes.
    ends : ndarray of int64
        Where each ends.

    """

    __slots__ = ("_added", "_ends", "_written")

    def __init__(self, written: npt.NDArray[np.uint8], ends: npt.NDArray[np.int64]) -> None:
        if len(written) != (ends[-1] if len(ends) else 0):
            raise ValueError("texts don't end where they should")
        self._written, self._ends = written, ends
        self._added: list[str] = []

    def __len__(self) -> int:
        return len(self._ends) + len(self._added)

    @overload
    def __getitem__(self, index: int) -> str: ...

    @overload
    def __getitem__(self, index: slice) -> list[str]: ...

    def __getitem__(self, index: int | slice) -> str | list[str]:
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(len(self)))]
        if index >= len(self._ends):
            return self._added[index - len(self._ends)]
        begin = self._ends[index - 1] if index else 0
        return self._written[begin : self._ends[index]].tobytes().decode()

    def extend(self, texts: Iterable[str]) -> None:
        """Put more texts at the end."""
        self._added.extend(texts)

    def places(self, texts: Collection[str]) -> dict[str, int]:
        """Return the places of those of some texts that were packed; where lengths differ none is looked for."""
        width = int(self._ends[0]) if len(self._ends) else 0
        if not texts or not width or np.any(np.diff(self._ends) != width):
            return {}
        as_long = [written for text in texts if len(written := text.encode()) == width]
        if not as_long:
            return {}
        sought = np.sort(np.array(as_long, dtype=f"S{width}"))
        packed = self._written.view(f"S{width}")
        nearest = np.minimum(np.searchsorted(sought, packed), len(sought) - 1)
        found = np.flatnonzero(sought[nearest] == packed)
        return dict(zip(map(self.__getitem__, found.tolist()), found.tolist(), strict=True))

    def arrays(self) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]:
        """Return `written` and `ends` of all of them."""
        written, ends = packed(self._added)
        shift = self._ends[-1] if len(self._ends) else 0
        return np.concatenate([self._written, written]), np.concatenate([self._ends, ends + shift])

    def size_bytes(self) -> int:
        """Estimate the memory that they take, those put in later aside."""
        return self._written.nbytes + self._ends.nbytes


def packed(texts: Iterable[str]) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]:
    """Return the bytes of texts end to end, and where each ends."""
    encoded = [text.encode() for text in texts]
    ends = np.cumsum(np.fromiter(map(len, encoded), dtype=np.int64, count=len(encoded)))
    return np.frombuffer(b"".join(encoded), dtype=np.uint8), ends
