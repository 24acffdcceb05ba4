"""Full arrays over stratum, pattern and age: their check, and the cells in which they count."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from failstats.errors import InputError

__all__ = ["cells_of_arrays", "check_arrays"]

IntArray = NDArray[np.int64]


def check_arrays(entered: IntArray, failed: IntArray, left: IntArray) -> bool:
    """Whether all that entered failed or left, and nothing did before it was at risk.

    Parameters
    ----------
    entered, failed, left : shape (strata, patterns, ages), whole numbers >= 0.

    Raises
    ------
    InputError : shapes differ, or a count is no whole number >= 0.

    Examples
    --------
    >>> check_arrays(*np.array([[[[1, 0]]], [[[0, 1]]], [[[0, 0]]]]))
    True
    """
    for name, counts in (("entered", entered), ("failed", failed), ("left", left)):
        if counts.ndim != 3 or counts.shape != entered.shape:
            raise InputError(
                f"{name} must have shape (strata, patterns, ages) like the others, but has "
                f"{counts.shape}."
            )
        if not np.issubdtype(counts.dtype, np.signedinteger) or any(
            part.min(initial=0) < 0 for part in counts
        ):
            raise InputError(f"{name} must hold whole numbers of 0 or more.")
    # one stratum at a time: it stays in the processor's own memory
    for began, fell, stopped in zip(entered, failed, left, strict=True):
        gone = fell + stopped
        # at risk at an age: who entered before it and is not gone before it; at 0, who entered at 0
        running = np.cumsum(began - gone, axis=1)
        if running[:, -1:].any() or (gone[:, :1] > began[:, :1]).any():
            return False
        if (gone[:, 1:] > running[:, :-1]).any():
            return False
    return True


def cells_of_arrays(entered: IntArray, failed: IntArray, left: IntArray) -> dict[str, IntArray]:
    """The cells in which something happened, sorted.

    Parameters
    ----------
    entered, failed, left : shape (strata, patterns, ages), checked.

    Returns
    -------
    Columns stratum, pattern, age, entered, failed, left of shape (cells,).

    Examples
    --------
    >>> columns = cells_of_arrays(*np.array([[[[1, 0]]], [[[0, 1]]], [[[0, 0]]]]))
    >>> columns["age"].tolist()
    [0, 1]
    """
    shape = entered.shape
    used = (entered + failed + left) != 0
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
        columns[name] = counts[used].astype(np.int64, copy=False)
    return columns
