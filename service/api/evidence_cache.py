"""Answers kept by what they depend on, the oldest leaving when their bytes pass a bound."""

from collections import OrderedDict
from collections.abc import Hashable
from threading import Lock

_BOUND = 64 * 1024 * 1024


class EvidenceCache:
    """A bounded map from what an answer depends on to its bytes."""

    def __init__(self, bound_bytes: int = _BOUND) -> None:
        self._bound = bound_bytes
        self.bytes = 0
        self.hits = 0
        self.misses = 0
        self.evictions = 0
        self._answers: OrderedDict[Hashable, bytes] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable) -> bytes | None:
        """Look an answer up, and count it as just used."""
        with self._lock:
            answer = self._answers.get(key)
            if answer is None:
                self.misses += 1
            else:
                self.hits += 1
                self._answers.move_to_end(key)
            return answer

    def put(self, key: Hashable, answer: bytes) -> None:
        """Keep an answer, letting the least recently used go."""
        with self._lock:
            replaced = self._answers.pop(key, b"")
            self._answers[key] = answer
            self.bytes += len(answer) - len(replaced)
            while self.bytes > self._bound and self._answers:
                self.bytes -= len(self._answers.popitem(last=False)[1])
                self.evictions += 1

    def __len__(self) -> int:
        return len(self._answers)
