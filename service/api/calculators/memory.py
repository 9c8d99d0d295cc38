"""The last answers, for the same few figures are asked for again and again: a sheet recalculates, a page is opened."""

from threading import Lock


class Memory:
    """Keeps a bounded number of answers by what they answer; the oldest goes first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: dict[bytes, bytes] = {}
        self._changing = Lock()

    def recall(self, asked: bytes) -> bytes | None:
        """Give the answer, if it is still there."""
        return self._kept.get(asked)

    def keep(self, asked: bytes, answer: bytes) -> None:
        """Keep an answer."""
        with self._changing:
            if len(self._kept) >= self._most:
                del self._kept[next(iter(self._kept))]
            self._kept[asked] = answer
