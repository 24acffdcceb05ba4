"""What travels between machines, in few bytes: tables of counts, rows and sums.

Whole numbers are written as narrow as they are, or as steps from row to row where that is less;
words that repeat as places in a list of them; all of it compressed. Nothing is rounded on the way:
what is opened is what was packed, types included.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = ["Packed", "add_packed"]

CODEC = "zstd"
LEVEL = 3  # a higher one takes several times as long for a tenth less
#: Rows by which it is decided how a column of whole numbers takes least.
LOOKED_AT = 50_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A table or any other value, compressed.

    Attributes
    ----------
    data : the bytes. size : before they were compressed.
    left : bytes that have left partitions for it; those of every set that was added up.
    """

    data: bytes
    size: int
    left: int

    @classmethod
    def of(cls, value: Any, *, left: int | None = None) -> Packed:
        """Compress a value: an Arrow table, or anything that can be pickled."""
        held = _Narrow.of(value) if isinstance(value, pa.Table) else value
        raw = pickle.dumps(held, protocol=5)
        data = pa.Codec(CODEC, compression_level=LEVEL).compress(raw, asbytes=True)
        return cls(data=data, size=len(raw), left=len(data) if left is None else left)

    def open(self) -> Any:
        """The value again."""
        raw = pa.Codec(CODEC).decompress(self.data, decompressed_size=self.size, asbytes=True)
        held = pickle.loads(raw)
        return held.table() if isinstance(held, _Narrow) else held


def add_packed(add: Callable[[Any, Any], Any], one: Packed, other: Packed) -> Packed:
    """Two values added up where they are."""
    return Packed.of(add(one.open(), other.open()), left=one.left + other.left)


@dataclass(frozen=True, slots=True)
class _Narrow:
    """A table whose columns are written in few bytes; ``columns`` in the order of ``schema``."""

    schema: pa.Schema
    columns: list[Any]

    @classmethod
    def of(cls, table: pa.Table) -> _Narrow:
        return cls(table.schema, [_Column.of(column) for column in table.columns])

    def table(self) -> pa.Table:
        arrays = [
            column.array(field.type)
            for column, field in zip(self.columns, self.schema, strict=True)
        ]
        return pa.Table.from_arrays(arrays, schema=self.schema)


@dataclass(frozen=True, slots=True)
class _Column:
    """One column: whole numbers, places in ``words``, or as it was.

    ``steps``: ``held`` are steps from row to row. ``blank``: (rows,) bits, None where none is.
    """

    held: Any
    steps: bool = False
    blank: NDArray[np.uint8] | None = None
    words: pa.Array | None = None

    @classmethod
    def of(cls, column: pa.ChunkedArray) -> _Column:
        whole = column.combine_chunks()
        array = pa.concat_arrays(whole.chunks) if isinstance(whole, pa.ChunkedArray) else whole
        kind = array.type
        if pa.types.is_string(kind) and len(array):
            coded = array.dictionary_encode()
            if 2 * len(coded.dictionary) > len(array):
                return cls(array)
            return cls(*_numbers(coded.indices), coded.dictionary)
        if pa.types.is_dictionary(kind) and kind.index_type == pa.int32() and len(array):
            return cls(*_numbers(array.indices), array.dictionary)
        if pa.types.is_date32(kind) and len(array):
            return cls(*_numbers(array.cast(pa.int32())))
        if pa.types.is_integer(kind) and kind != pa.uint64() and len(array):
            return cls(*_numbers(array))
        return cls(array)

    def array(self, kind: pa.DataType) -> pa.Array:
        """The column again."""
        if isinstance(self.held, pa.Array):
            return self.held
        values = self.held.astype(np.int64)
        if self.steps:
            values = np.cumsum(values)
        blank = None
        if self.blank is not None:
            blank = np.unpackbits(self.blank, count=values.size).astype(bool)
        if self.words is not None:
            places = pa.array(values.astype(np.int32), mask=blank)
            return pa.DictionaryArray.from_arrays(places, self.words).cast(kind)
        if pa.types.is_date32(kind):
            return pa.array(values.astype(np.int32), mask=blank).cast(kind)
        return pa.array(values, mask=blank).cast(kind)


def _numbers(array: pa.Array) -> tuple[NDArray[Any], bool, NDArray[np.uint8] | None]:
    """Whole numbers as narrow as they are, or their steps; and which are blank."""
    blank = None
    if array.null_count:
        blank = np.packbits(array.is_null().to_numpy(zero_copy_only=False))
        array = array.fill_null(0)
    values = array.to_numpy(zero_copy_only=False).astype(np.int64)
    plain, steps = _narrowed(values), _narrowed(np.diff(values, prepend=0))
    less = _taken(steps) < _taken(plain)
    return (steps if less else plain), less, blank


def _narrowed(values: NDArray[np.int64]) -> NDArray[Any]:
    low, high = (np.min_scalar_type(int(edge)) for edge in (values.min(), values.max()))
    return values.astype(np.result_type(low, high))


def _taken(values: NDArray[Any]) -> int:
    codec = pa.Codec(CODEC, compression_level=1)
    return len(codec.compress(values[:LOOKED_AT].tobytes(), asbytes=True))
