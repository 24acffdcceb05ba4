"""Cells out of full arrays over stratum, pattern and age, which are sorted as they stand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from failstats.errors import InputError

__all__ = ["cells_of_arrays"]

IntArray = NDArray[np.int64]


def cells_of_arrays(
    entered: IntArray, failed: IntArray, left: IntArray
) -> tuple[dict[str, IntArray], bool]:
    """The cells in which something happened, and whether the counts balance.

    Parameters
    ----------
    entered, failed, left : shape (strata, patterns, ages), whole numbers >= 0.

    Returns
    -------
    Columns stratum, pattern, age, entered, failed, left of shape (cells,), sorted; and whether all
    that entered failed or left, and nothing did before it was at risk.

    Raises
    ------
    InputError : shapes differ, or a count is no whole number >= 0.

    Examples
    --------
    >>> columns, balanced = cells_of_arrays(*np.array([[[[1, 0]]], [[[0, 1]]], [[[0, 0]]]]))
    >>> columns["age"].tolist(), balanced
    ([0, 1], True)
    """
    shape = entered.shape
    for name, counts in (("entered", entered), ("failed", failed), ("left", left)):
        if counts.ndim != 3 or counts.shape != shape:
            raise InputError(
                f"{name} must have shape (strata, patterns, ages) like the others, but has "
                f"{counts.shape}."
            )
        if not np.issubdtype(counts.dtype, np.signedinteger) or counts.min(initial=0) < 0:
            raise InputError(f"{name} must hold whole numbers of 0 or more.")
    gone = failed + left
    used = (entered + gone) != 0
    by_group = used.sum(axis=2)
    group = np.repeat(np.arange(by_group.size), by_group.ravel())
    key = np.flatnonzero(used)
    stratum = np.repeat(np.arange(shape[0]), by_group.sum(axis=1))
    columns = {
        "stratum": stratum,
        "pattern": group - stratum * shape[1],
        "age": key - group * shape[2],
    }
    for name, counts in (("entered", entered), ("failed", failed), ("left", left)):
        columns[name] = counts.ravel()[key].astype(np.int64, copy=False)
    # at risk at an age: who entered before it and is not gone before it; at 0, who entered at 0
    running = np.cumsum(entered - gone, axis=2, dtype=np.int64)
    ended = not running[..., -1:].any() and not (gone[..., :1] > entered[..., :1]).any()
    return columns, ended and bool((gone[..., 1:] <= running[..., :-1]).all())
