"""JSON as RFC 8259 has it: no NaN, no key given twice; what is refused is refused by its place."""

import json
from collections import Counter
from collections.abc import Iterator
from itertools import islice
from typing import Any

from service.api.problems import Fault, Problem, pointer

_MOST_FAULTS = 100


class _NotJson(float):
    """NaN or an infinity, until its place is known."""


class _TooLong(int):
    """A number of more digits than the interpreter reads, until its place is known."""


class _Doubled(dict[str, Any]):
    """An object that gives keys twice."""

    keys_given_twice: list[str]


class _Parser:
    """Reads on past what is not JSON, and remembers that there was some: its place is known only at the end."""

    def __init__(self) -> None:
        self.marked = False

    def parse(self, text: str) -> object:
        """Read the text as one value."""
        hooks: dict[str, Any] = {"object_pairs_hook": self._object, "parse_constant": self._constant}
        try:
            try:
                return json.loads(text, **hooks)
            except json.JSONDecodeError as error:
                raise Problem("malformed-json", f"line {error.lineno}, column {error.colno}: {error.msg}") from None
            except ValueError:  # too many digits; a hook on every whole number would slow long columns down
                return json.loads(text, parse_int=self._whole, **hooks)
        except RecursionError:
            raise Problem("malformed-json", "lists and objects are nested too deep") from None

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        read = dict(pairs)
        if len(read) == len(pairs):
            return read
        self.marked = True
        doubled = _Doubled(read)
        doubled.keys_given_twice = [key for key, times in Counter(key for key, _ in pairs).items() if times > 1]
        return doubled

    def _constant(self, name: str) -> float:
        self.marked = True
        return _NotJson(name)

    def _whole(self, digits: str) -> int:
        try:
            return int(digits)
        except ValueError:
            self.marked = True
            return _TooLong()


class _LookAgainError(ValueError):
    """Something is not JSON; where, only a slower reading tells."""


def _sound(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    read = dict(pairs)
    if len(read) != len(pairs):
        raise _LookAgainError
    return read


def _unsound(_: str) -> float:
    raise _LookAgainError


_QUICK = json.JSONDecoder(object_pairs_hook=_sound, parse_constant=_unsound)


def read_json(body: bytes) -> Any:  # noqa: ANN401  any JSON value
    """Read a body as one JSON value.

    Raises
    ------
    Problem
        It can't be read; where the fault stands in the document, its place is named.

    """
    try:
        text = body.decode()
    except UnicodeDecodeError as error:
        raise Problem("malformed-json", f"byte {error.start} is not UTF-8") from None
    try:
        return _QUICK.decode(text)
    except (ValueError, RecursionError):
        return _read_slowly(text)


def _read_slowly(text: str) -> object:
    parser = _Parser()
    value = parser.parse(text)
    if parser.marked:
        faults = list(islice(_faults(value), _MOST_FAULTS))
        raise Problem("malformed-json", f"{faults[0].pointer or 'the body'}: {faults[0].detail}", faults=faults)
    return value


def _faults(value: object) -> Iterator[Fault]:
    """Find every marked place, without recursion: the parser reads deeper than a function may call itself."""
    waiting: list[tuple[tuple[str | int, ...], object]] = [((), value)]
    while waiting:
        steps, part = waiting.pop()
        if isinstance(part, _NotJson):
            yield Fault(pointer=pointer(*steps), detail="NaN and infinities are not JSON; write a finite number")
        elif isinstance(part, _TooLong):
            yield Fault(pointer=pointer(*steps), detail="this number has too many digits; write a shorter one")
        elif isinstance(part, dict):
            for key in getattr(part, "keys_given_twice", ()):
                yield Fault(pointer=pointer(*steps, key), detail="this key stands twice in one object; keep one")
            waiting += [((*steps, key), inner) for key, inner in part.items()]
        elif isinstance(part, list):
            waiting += [((*steps, index), inner) for index, inner in enumerate(part)]
