"""Three-digit codes for glasses: random, never repeated while others are left, and hard to mistake for one another."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.science.keyed_stream import KeyedStream

# Numbers that mean something to a taster; common practice, no source, and free to edit.
MEANINGFUL = frozenset(
    str(number)
    for number in (
        *range(100, 1000, 100),
        *(101, 112, 118, 128, 180, 187, 212, 247, 256, 314, 360, 365, 404, 411, 420),
        *(501, 512, 666, 711, 720, 747, 808, 911, 999),
    )
)


def is_usable(code: str) -> bool:
    """Tell whether a code may stand on a glass: 100 to 999, three different digits, no run, nothing meaningful.

    Three random digits are ISO 4120:2021 5.5; which patterns to avoid is common practice, no source.
    """
    if len(code) != 3 or not code.isascii() or not code.isdigit() or code.startswith("0"):
        return False
    steps = {int(code[1]) - int(code[0]), int(code[2]) - int(code[1])}
    return len(set(code)) == 3 and steps not in ({1}, {-1}) and code not in MEANINGFUL


USABLE = tuple(str(number) for number in range(100, 1000) if is_usable(str(number)))

# A set of four rules out at most three codes and their fifteen rearrangements, so this many are always dealt apart.
MOST_APART = len(USABLE) - 15


def are_distinct(codes: list[str]) -> bool:
    """Tell whether no two codes of one set share the same three digits."""
    return len({"".join(sorted(code)) for code in codes}) == len(codes)


class CodeDeck:
    """Codes dealt without replacement; only when no fitting one is left is the whole deck shuffled again."""

    def __init__(self, stream: KeyedStream) -> None:
        self._stream = stream
        self._left: list[str] = []

    def deal(self, count: int) -> tuple[str, ...]:
        """Deal the codes of one set, in serving order."""
        dealt: list[str] = []
        while len(dealt) < count:
            fitting = next((code for code in self._left if are_distinct([*dealt, code])), None)
            if fitting is None:
                self._left = [code for code in self._stream.shuffled(USABLE) if code not in dealt]
                continue
            self._left.remove(fitting)
            dealt.append(fitting)
        return tuple(dealt)
