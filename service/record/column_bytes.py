"""A question's columns as named bytes and back: numpy's own format, without pickled objects, lightly compressed."""

import zlib
from collections.abc import Iterable, Iterator, Mapping
from hashlib import blake2b
from io import BytesIO
from typing import Any
from uuid import UUID

import numpy as np
import numpy.typing as npt
from pydantic_core import from_json, to_json

from service.record.observation_columns import ObservationColumns, nothing_observed
from service.record.packed_texts import Details, Identifiers
from service.record.question_state import QuestionColumns
from service.record.start_columns import StartColumns, narrowed, nothing_started
from service.record.words import Words

LAYOUT = 1
"""To be raised with every change of what the columns are, or of how they are written."""
# What may be different in every row; all other words are few.
_PACKED: Mapping[str, type[Identifiers | Details]] = {
    "replications": Identifiers,
    "contributor_id": Identifiers,
    "household_id": Identifiers,
    "details": Details,
}
_LEVEL = 1
_DIGEST_BYTES = 16

Array = npt.NDArray[Any]


def to_bytes(columns: QuestionColumns) -> dict[str, bytes]:
    """Write columns, each under its name."""
    return {name: _closed(name, array) for name, array in _arrays(columns)}


def from_bytes(question_id: UUID, position: int, written: Iterable[tuple[str, bytes]]) -> QuestionColumns:
    """Read columns again, each as it comes.

    Raises
    ------
    ValueError, KeyError
        Something isn't what was written, or is missing.

    """
    arrays = {name: _opened(name, content) for name, content in written}
    no_starts, nothing = nothing_started(), nothing_observed(question_id)
    starts = StartColumns(
        _words(arrays, "started replications", Words()),
        {name: _words(arrays, f"started {name}", words) for name, words in no_starts.words.items()},
        {name: arrays[f"started code {name}"].astype(np.int32) for name in no_starts.codes},
        {name: arrays[f"started {name}"].astype(np.int64) for name in no_starts.positions},
        arrays["started protocol_version"].astype(np.int32),
    )
    observations = ObservationColumns(
        question_id,
        {name: arrays[f"observed {name}"] for name in nothing.numbers},
        {name: _words(arrays, f"observed {name}", words) for name, words in nothing.words.items()},
        {name: arrays[f"observed code {name}"] for name in nothing.codes},
        arrays["observed start"],
        {name: arrays[f"told {name}"] for name in _value(arrays["told"])},
    )
    return QuestionColumns(position, starts, observations, frozenset(map(UUID, _value(arrays["family"]))), 0)


def _arrays(columns: QuestionColumns) -> Iterator[tuple[str, Array]]:
    starts, observations = columns.starts, columns.observations
    yield "family", _json(sorted(map(str, columns.family)))
    yield "told", _json(list(observations.told))
    named: dict[str, Mapping[str, Array]] = {
        "observed": {**observations.numbers, "start": observations.start},
        "observed code": observations.codes,
        "told": observations.told,
        "started": {**starts.positions, "protocol_version": starts.protocol_version},
        "started code": starts.codes,
    }
    for kind, arrays in named.items():
        for name, array in arrays.items():
            yield f"{kind} {name}", array
    worded = {"observed": observations.words, "started": {**starts.words, "replications": starts.replications}}
    for kind, words in worded.items():
        for name, each in words.items():
            yield from _of_words(kind, name, each)


def _of_words(kind: str, name: str, words: Words) -> Iterator[tuple[str, Array]]:
    texts = words.written()
    if name in _PACKED:
        packed = _PACKED[name].of(texts) if isinstance(texts, list) else texts
        written, ends = packed.arrays()
        yield f"{kind} {name} texts", written
        yield f"{kind} {name} ends", ends
    else:
        yield f"{kind} {name} texts", _json(texts)


def _words(arrays: dict[str, Array], name: str, empty: Words) -> Words:
    """Read words, whose meanings are those of `empty`."""
    packed = _PACKED.get(name.split()[1])
    if packed is not None:
        return Words(before=packed.of_arrays(arrays.pop(f"{name} texts"), arrays.pop(f"{name} ends")))
    empty.codes(_value(arrays[f"{name} texts"]))
    return empty


def _json(value: object) -> Array:
    return np.frombuffer(to_json(value), dtype=np.uint8)


def _value(array: Array) -> Any:  # noqa: ANN401  # any JSON value
    return from_json(array.tobytes())


def _closed(name: str, array: Array) -> bytes:
    file = BytesIO()
    np.lib.format.write_array(file, narrowed(array), allow_pickle=False)
    content = zlib.compress(file.getbuffer(), _LEVEL)
    return _digest(name, content) + content


def _opened(name: str, written: bytes) -> Array:
    digest, content = written[:_DIGEST_BYTES], written[_DIGEST_BYTES:]
    if digest != _digest(name, content):
        raise ValueError(f"{name} isn't what was written")
    array: Array = np.lib.format.read_array(BytesIO(zlib.decompress(content)), allow_pickle=False)
    return array


def _digest(name: str, content: bytes) -> bytes:
    return blake2b(content, digest_size=_DIGEST_BYTES, key=name.encode()).digest()
