"""What a calculator is: one pure function and two models, in one entry."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, cast

import numpy as np
from pydantic_core import to_json

from service.api.calculators.columns import ColumnsOf, column_model, every_needed_input_is_scalar
from service.api.calculators.memory import Memory
from service.api.calculators.results import Result, Taker, taker
from service.intake.strict import Strict

_REMEMBERED = 512

_INF_AS_NULL = partial(to_json, inf_nan_mode="null")


@dataclass(frozen=True, slots=True)
class Calculator:
    """One calculator: its texts, its two models, and the function between them.

    `compute` takes the inputs, each a number or (for columns) an array, and returns an object with the attributes that
    `result` names. `reading` puts one calculation into words, where the science hasn't. `cautions` says what can hurt:
    always the same, or by the inputs. `complete` fills in what the caller left to the service, such as a seed.
    `single` marks science that takes no arrays, and `heavy` what would keep the other callers waiting, always or by the
    inputs. Where numbers and words are enough to ask, the last answers are remembered.
    """

    name: str
    title: str
    summary: str
    inputs: type[Strict]
    result: type[Result]
    compute: Callable[[Any], object]
    sources: Sequence[str]
    example: Mapping[str, Any]
    method: str
    reading: Callable[[Any, Any], str] | None = None
    cautions: Sequence[str] | Callable[[Any], Sequence[str]] = ()
    complete: Callable[[Any], Strict] | None = None
    single: bool = False
    heavy: bool | Callable[[Any], bool] = False
    answers_get: bool = field(init=False)
    takes_columns: bool = field(init=False)
    body: type[Strict] = field(init=False)
    _memory: Memory = field(init=False)
    _take: Taker = field(init=False)
    _method: bytes = field(init=False)
    _cautions: bytes = field(init=False)

    def __post_init__(self) -> None:
        answers_get = every_needed_input_is_scalar(self.inputs)
        takes_columns = answers_get and not self.single
        derived = {
            "answers_get": answers_get,
            "takes_columns": takes_columns,
            "body": column_model(self.inputs) if takes_columns else self.inputs,
            "_memory": Memory(_REMEMBERED),
            "_take": taker(self.result, without={"reading"} if self.reading else set()),
            "_method": to_json({"summary": self.method, "sources": list(self.sources)}),
            "_cautions": b"" if callable(self.cautions) else to_json(list(self.cautions)),
        }
        for name, value in derived.items():
            object.__setattr__(self, name, value)

    def is_heavy(self, inputs: Strict) -> bool:
        """Whether this calculation would keep the other callers waiting."""
        return self.heavy(inputs) if callable(self.heavy) else self.heavy

    def answer(self, inputs: Strict) -> bytes:
        """Calculate once and render inputs, result, method and cautions."""
        if self.complete is not None:
            inputs = self.complete(inputs)
        understood = inputs.__pydantic_serializer__.to_json(inputs, exclude_none=True)
        answer = self._memory.recall(understood)
        if answer is None:
            result = _INF_AS_NULL(self.result_of(inputs))
            answer = b'{"inputs":%b,"result":%b%b' % (understood, result, self._method_and_cautions(inputs))
            if self.answers_get:
                self._memory.keep(understood, answer)
        return answer

    def result_of(self, inputs: Strict) -> dict[str, Any]:
        """Calculate once and return the plain result."""
        computed = self.compute(inputs)
        result: dict[str, Any] = self._take(computed)
        if self.reading is not None:
            result["reading"] = self.reading(inputs, computed)
        return result

    def answer_columns(self, columns: ColumnsOf) -> bytes:
        """Calculate for whole columns at once and render each leaf as a list."""
        take = taker(self.result, leaf=partial(_column, length=columns.length), without=self.result.prose)
        pieces = [b'{"result":', *_pieces(take(self.compute(columns))), self._method_and_cautions(columns)]
        return b"".join(pieces)

    def _method_and_cautions(self, inputs: object) -> bytes:
        cautions = to_json(list(self.cautions(inputs))) if callable(self.cautions) else self._cautions
        return b',"method":%b,"cautions":%b}' % (self._method, cautions)


def _column(leaf: object, *, length: int) -> bytes:
    """Render one leaf of the result as a list; what is the same in every row is rendered once."""
    if isinstance(leaf, np.ndarray):
        return _INF_AS_NULL(leaf.tolist())
    one = _INF_AS_NULL(leaf)
    return b"[%b%b]" % ((one + b",") * (length - 1), one)


def _pieces(part: object) -> Iterator[bytes]:
    """Put rendered leaves together again, piece by piece: whole columns are long to copy."""
    if isinstance(part, bytes):
        yield part
    elif isinstance(part, Mapping):
        yield b"{"
        for place, (name, value) in enumerate(part.items()):
            yield b"%b%b:" % (b"," if place else b"", to_json(name))
            yield from _pieces(value)
        yield b"}"
    else:
        yield b"["
        for place, value in enumerate(cast("list[object]", part)):
            yield b"," if place else b""
            yield from _pieces(value)
        yield b"]"
