"""Columns of text of which every spelling is kept once: look at the spellings, not at the rows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as compute

__all__ = [
    "BLANKS", "CODED", "SPACE", "coded", "constant", "filtered", "listed", "recoded", "spellings",
    "taken", "tidy",
]  # fmt: skip

CODED = pa.dictionary(pa.int32(), pa.string())
# what is stripped from both ends of a text: blanks of every width, line ends, a mark
BLANKS = " \u00a0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"
BLANKS += "\u202f\u205f\u3000"
SPACE = BLANKS + "\t\r\n\ufeff"
FEW = 20_000  # spellings that SQL may read again for every block of rows


def coded(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of text with one list of spellings for all of its rows."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    return column.unify_dictionaries()


def listed(column: pa.ChunkedArray) -> list[str | None]:
    """The spellings of a coded column."""
    return column.chunk(0).dictionary.to_pylist() if column.num_chunks else []


def spellings(column: pa.ChunkedArray) -> tuple[list[str | None], np.ndarray]:
    """The spellings of a coded column, and which of them stand in some row."""
    texts = listed(column)
    used = np.zeros(len(texts), dtype=bool)
    for chunk in column.chunks:
        indices = chunk.indices.drop_null() if chunk.null_count else chunk.indices
        used[indices.to_numpy()] = True
    return texts, used


def _indices(column: pa.ChunkedArray, new: pa.Array) -> list[pa.Array]:
    return [new.take(chunk.indices) for chunk in column.chunks]


def recoded(column: pa.ChunkedArray, texts: Sequence[str | None], *,
            blank: str | None = None, for_sql: bool = False) -> pa.ChunkedArray:  # fmt: skip
    """A coded column with other texts for its spellings, null where there is None.

    Parameters
    ----------
    texts : one per spelling.
    blank : what a null becomes.
    for_sql : write many spellings out, since SQL reads all of them again for every block.
    """
    found: dict[str, int] = {} if blank is None else {blank: 0}
    codes = pa.array(
        [None if text is None else found.setdefault(text, len(found)) for text in texts], pa.int32()
    )
    words = pa.array(list(found), pa.string())
    chunks = _indices(column, codes)
    if blank is not None:
        chunks = [chunk.fill_null(0) if chunk.null_count else chunk for chunk in chunks]
    if for_sql and len(found) > FEW:
        return pa.chunked_array([words.take(chunk) for chunk in chunks], pa.string())
    made = [pa.DictionaryArray.from_arrays(chunk, words) for chunk in chunks]
    return pa.chunked_array(made, CODED)


def taken(column: pa.ChunkedArray, values: pa.Array, blank: object = None) -> pa.ChunkedArray:
    """A coded column as the values of its spellings, one per row."""
    chunks = _indices(column, values)
    if blank is not None:
        filler = pa.scalar(blank, values.type)
        chunks = [chunk.fill_null(filler) if chunk.null_count else chunk for chunk in chunks]
    return pa.chunked_array(chunks, values.type)


def constant(text: str, count: int) -> pa.Array:
    """One text for all rows."""
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array([text]))


def filtered(table: pa.Table, wanted: pa.Array) -> pa.Table:
    """Some rows of a table, column by column, which takes a third of what the whole takes."""
    return pa.table({name: table[name].filter(wanted) for name in table.column_names})


def tidy(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Without white space around a text, null where nothing is left."""
    if pa.types.is_dictionary(column.type):
        column = column.unify_dictionaries()
        texts = listed(column)
        stripped = [(text or "").strip(SPACE) or None for text in texts]
        return column if stripped == texts else recoded(column, stripped)
    return pa.chunked_array([_tidy(chunk) for chunk in column.chunks], pa.string())


def _tidy(chunk: pa.Array) -> pa.Array:
    letters = chunk.buffers()[2]
    text = b"" if letters is None else letters.to_pybytes()
    if not any(space in text for space in (b" ", b"\t", b"\r", b"\n")) and text.isascii():
        return chunk
    stripped = compute.utf8_trim(chunk, characters=SPACE)
    return compute.if_else(compute.equal(stripped, ""), pa.scalar(None, pa.string()), stripped)
