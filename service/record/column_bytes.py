"""A question's columns as named bytes and back: numpy's own format, without pickled objects, lightly compressed."""

import zlib
from collections.abc import Iterator, Mapping
from hashlib import blake2b
from io import BytesIO
from typing import Any
from uuid import UUID

import numpy as np
import numpy.typing as npt
from pydantic_core import from_json, to_json

from service.record.observation_columns import ObservationColumns, nothing_observed
from service.record.packed_texts import PackedTexts
from service.record.question_state import QuestionColumns
from service.record.start_columns import StartColumns, narrowed, nothing_started
from service.record.words import Words

LAYOUT = 1
"""To be raised with every change of what the columns are, or of how they are written."""
# What may be different in every row; all other words are few.
_PACKED = frozenset({"replications", "contributor_id", "household_id", "details"})
_LEVEL = 1
_DIGEST = "digest"


def to_bytes(columns: QuestionColumns) -> dict[str, bytes]:
    """Write columns, each under its name."""
    written = dict(_written(columns))
    return {**written, _DIGEST: _digest(written)}


def _written(columns: QuestionColumns) -> Iterator[tuple[str, bytes]]:
    starts, observations = columns.starts, columns.observations
    yield "family", to_json(sorted(map(str, columns.family)))
    yield from _arrays("observed", {**observations.numbers, "start": observations.start})
    yield from _arrays("observed code", observations.codes)
    yield from _words("observed", observations.words)
    yield "told", to_json(list(observations.told))
    yield from _arrays("told", observations.told)
    yield from _arrays("started", {**starts.positions, "protocol_version": starts.protocol_version})
    yield from _arrays("started code", starts.codes)
    yield from _words("started", {**starts.words, "replications": starts.replications})


def from_bytes(question_id: UUID, position: int, written: Mapping[str, bytes]) -> QuestionColumns:
    """Read columns again.

    Raises
    ------
    ValueError
        They aren't what was written.

    """
    if written.get(_DIGEST) != _digest(written):
        raise ValueError("these columns aren't what was written")
    no_starts, nothing = nothing_started(), nothing_observed(question_id)
    starts = StartColumns(
        _read_words(written, "started replications", Words()),
        {name: _read_words(written, f"started {name}", words) for name, words in no_starts.words.items()},
        {name: _array(written, f"started code {name}").astype(np.int32) for name in no_starts.codes},
        {name: _array(written, f"started {name}").astype(np.int64) for name in no_starts.positions},
        _array(written, "started protocol_version").astype(np.int32),
    )
    observations = ObservationColumns(
        question_id,
        {name: _array(written, f"observed {name}") for name in nothing.numbers},
        {name: _read_words(written, f"observed {name}", words) for name, words in nothing.words.items()},
        {name: _array(written, f"observed code {name}") for name in nothing.codes},
        _array(written, "observed start"),
        {name: _array(written, f"told {name}") for name in from_json(written["told"])},
    )
    return QuestionColumns(position, starts, observations, frozenset(map(UUID, from_json(written["family"]))), 0)


def _digest(written: Mapping[str, bytes]) -> bytes:
    whole = blake2b()
    for name in sorted(written.keys() - {_DIGEST}):
        whole.update(blake2b(name.encode()).digest() + blake2b(written[name]).digest())
    return whole.digest()


def _arrays(kind: str, arrays: Mapping[str, npt.NDArray[Any]]) -> Iterator[tuple[str, bytes]]:
    for name, array in arrays.items():
        yield f"{kind} {name}", _compressed(array)


def _compressed(array: npt.NDArray[Any]) -> bytes:
    file = BytesIO()
    np.lib.format.write_array(file, narrowed(array), allow_pickle=False)
    return zlib.compress(file.getbuffer(), _LEVEL)


def _array(written: Mapping[str, bytes], name: str) -> npt.NDArray[Any]:
    array: npt.NDArray[Any] = np.lib.format.read_array(BytesIO(zlib.decompress(written[name])), allow_pickle=False)
    return array


def _words(kind: str, words: Mapping[str, Words]) -> Iterator[tuple[str, bytes]]:
    for name, each in words.items():
        if name in _PACKED:
            texts, ends = each.packed()
            yield f"{kind} {name} texts", _compressed(texts)
            yield f"{kind} {name} ends", _compressed(ends)
        else:
            yield f"{kind} {name} texts", zlib.compress(to_json(each.written()), _LEVEL)


def _read_words(written: Mapping[str, bytes], name: str, empty: Words) -> Words:
    """Read words, whose meanings are those of `empty`."""
    if name.split()[1] in _PACKED:
        texts, ends = _array(written, f"{name} texts"), _array(written, f"{name} ends").astype(np.int64)
        return Words(before=PackedTexts(texts, ends))
    empty.codes(from_json(zlib.decompress(written[f"{name} texts"])))
    return empty
