"""An order of units that hangs on what is known of them, not on ids or on where they are kept.

Sums of many numbers differ in their last digits with the order of adding, and a fit that climbs by
such sums ends a little elsewhere. Units that travel without their ids are put in the order of a
hash of their rows: then a fit is the same from a warehouse and from any partitions of it. Units
alike in every row may change places; that changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["in_own_order"]

_STEP = np.uint64(0x9E3779B97F4A7C15)


def in_own_order(rows: pd.DataFrame, *, unit: str, known: Sequence[str]) -> pd.DataFrame:
    """The same rows, units numbered from 0 and sorted in an order of their own.

    Parameters
    ----------
    rows : of any number of units. unit : the column that tells them apart, by numbers.
    known : columns by which rows of one unit are sorted, and units ordered.

    Examples
    --------
    >>> one = pd.DataFrame({"unit": [0, 0, 1], "days": [5, 9, 7]})
    >>> other = pd.DataFrame({"unit": [0, 1, 1], "days": [7, 9, 5]})
    >>> in_own_order(one, unit="unit", known=["days"]).equals(
    ...     in_own_order(other, unit="unit", known=["days"]))
    True
    """
    if rows.empty:
        return rows
    rows = rows.sort_values([unit, *known], kind="stable", ignore_index=True)
    code, _ = pd.factorize(rows[unit])
    place = np.arange(len(rows)) - np.flatnonzero(np.diff(code, prepend=-1))[code]
    content: NDArray[np.uint64] = pd.util.hash_pandas_object(
        rows[list(known)], index=False
    ).to_numpy()
    with np.errstate(over="ignore"):
        mixed = content * (_STEP * (2 * place.astype(np.uint64) + np.uint64(1)))
    whole = np.zeros(int(code.max()) + 1, dtype=np.uint64)
    np.add.at(whole, code, mixed)
    number = np.empty(whole.size, dtype=np.int64)
    number[np.argsort(whole, kind="stable")] = np.arange(whole.size)
    rows = rows.assign(**{unit: number[code]})
    return rows.sort_values(unit, kind="stable", ignore_index=True)
