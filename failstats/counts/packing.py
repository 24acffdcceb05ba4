"""What travels between machines, in few bytes: Arrow tables and sums, compressed.

Counts by age are mostly small numbers in long columns, which a general compression shrinks five to
ten times; nothing is rounded on the way.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

__all__ = ["Packed", "add_packed", "size_of"]

CODEC = "zstd"
LEVEL = 3  # a higher one takes several times as long for a tenth less


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A table or any other value, compressed.

    Attributes
    ----------
    is_table : an Arrow table; else anything that can be pickled.
    data : the bytes. size : of the pickled value before it was compressed.
    left : bytes that have left partitions for it; those of every set that was added up.
    """

    is_table: bool
    data: bytes
    size: int
    left: int

    @classmethod
    def of(cls, value: Any, *, left: int | None = None) -> Packed:
        """Compress a value."""
        if isinstance(value, pa.Table):
            sink = pa.BufferOutputStream()
            options = pa.ipc.IpcWriteOptions(
                compression=pa.Codec(CODEC, compression_level=LEVEL)
            )
            with pa.ipc.new_stream(sink, value.schema, options=options) as stream:
                stream.write_table(value.combine_chunks())
            data, size, is_table = sink.getvalue().to_pybytes(), value.nbytes, True
        else:
            raw = pickle.dumps(value, protocol=5)
            codec = pa.Codec(CODEC, compression_level=LEVEL)
            data, size, is_table = codec.compress(raw, asbytes=True), len(raw), False
        return cls(
            is_table=is_table, data=data, size=size, left=len(data) if left is None else left
        )

    def open(self) -> Any:
        """The value again."""
        if self.is_table:
            with pa.ipc.open_stream(self.data) as stream:
                return stream.read_all()
        raw = pa.Codec(CODEC).decompress(self.data, decompressed_size=self.size, asbytes=True)
        return pickle.loads(raw)


def add_packed(add: Callable[[Any, Any], Any], one: Packed, other: Packed) -> Packed:
    """Two values added up where they are."""
    return Packed.of(add(one.open(), other.open()), left=one.left + other.left)


def size_of(value: Any) -> int:
    """Bytes of a value as it is sent."""
    return int(value.nbytes) if isinstance(value, pa.Table) else len(pickle.dumps(value, protocol=5))
