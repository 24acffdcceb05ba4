"""Counts of very many cells: places from SQL, added batch by batch into one full array.

Where half of all cells are used, grouping in SQL costs four times as much as this, and memory
that grows with the cells; the array is the answer itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from failstats.errors import InputError

__all__ = ["BATCH", "scatter"]

#: Rows of a batch that keep both the reader and the adding busy.
BATCH = 1 << 18
# From this many places on, a compiled loop adds them (three times faster; a moment to get ready).
COMPILE_FROM = BATCH // 4
# Counts are held in 32 bits as long as no cell can pass them: half the memory to walk through.
MOST_SHORT = 2**31 - 1


def scatter(
    batches: Iterable[Sequence[NDArray[Any]]], sizes: Sequence[int]
) -> tuple[NDArray[np.signedinteger], ...]:
    """Count how often each place occurs, column by column.

    Parameters
    ----------
    batches : any number of sequences of columns, each of whole numbers from 0 to below its size.
    sizes : number of places of each column.

    Returns
    -------
    One array (size,) of whole numbers per column: int32, or int64 above 2^31 places.

    Raises
    ------
    InputError : a place is outside its array; nothing is counted wrongly before that is noticed.

    Examples
    --------
    >>> [found.tolist() for found in scatter([([0, 2, 2], [1]), ([1], [])], (3, 2))]
    [[1, 1, 2], [0, 1]]
    """
    into: list[NDArray[np.signedinteger]] = [np.zeros(size, dtype=np.int32) for size in sizes]
    seen, short = 0, True
    for batch in batches:
        for number, column in zip(range(len(into)), batch, strict=True):
            place = np.asarray(column)
            if short and seen + place.size > MOST_SHORT:
                into, short = [counts.astype(np.int64) for counts in into], False
            held = into[number]
            if not place.size:
                continue
            if not np.issubdtype(place.dtype, np.integer):
                raise InputError(f"places must be whole numbers, but their type is {place.dtype}.")
            if place.min() < 0 or place.max() >= held.size:
                raise InputError(
                    f"places must be from 0 to {held.size - 1}, but reach from {place.min()} to "
                    f"{place.max()}."
                )
            seen += place.size
            if seen >= COMPILE_FROM:
                from failstats.counts.row_loops import add_ones

                add_ones(held, place.astype(np.int32) if place.dtype.itemsize < 4 else place)
            else:
                np.add.at(held, place, held.dtype.type(1))
    return tuple(into)
