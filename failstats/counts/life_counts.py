"""Lives counted by group, cause and age, straight from batches of rows, whatever their number.

The counts are what `RiskTable` holds; a batch is looked at once and not kept.
"""

from __future__ import annotations

import operator
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError

__all__ = ["BATCH", "LifeCounts", "count_lives"]

#: Rows of a batch that keep both the reader and the counting busy.
BATCH = 1 << 18

# From this many lives on, a compiled loop counts them (a moment to get ready, then twenty times
# faster).
COMPILE_FROM = 1 << 16
# Counts are held in 32 bits as long as no cell can pass them: half the memory to walk through.
MOST_SHORT = 2**31 - 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LifeCounts:
    """How many lives began and ended at each age, by group.

    entered : shape (groups, ages), int32, or int64 where there are 2^31 lives.
    ended : shape (groups, 1 + causes, ages); row 0 of the second axis: last seen working.
    dropped : shape (groups,), lives left out because they entered and ended at one age above 0.
    """

    entered: NDArray[np.signedinteger]
    ended: NDArray[np.signedinteger]
    dropped: NDArray[np.int64]

    def table(
        self, causes: Sequence[str], *, group: int | slice = slice(None), unit: str = "days"
    ) -> RiskTable:
        """The counts of one group, or of several together, at the ages with any count.

        Parameters
        ----------
        causes : names of the causes 1, 2, ...
        group : one group, or a stretch of them; all when absent.

        Raises
        ------
        InputError : there is no such group.
        """
        chosen = group
        if not isinstance(group, slice):
            at = operator.index(group)
            if not 0 <= at < self.dropped.size:
                raise InputError(f"group must be from 0 to {self.dropped.size - 1}, not {at}.")
            chosen = slice(at, at + 1)
        entered, ended = self.entered[chosen].sum(axis=0), self.ended[chosen].sum(axis=0)
        used = np.flatnonzero(entered + ended.sum(axis=0))
        failed = {name: counts[used] for name, counts in zip(causes, ended[1:], strict=True)}
        dropped = int(self.dropped[chosen].sum())
        return RiskTable(used, entered[used], failed, ended[0, used], unit, dropped)


def count_lives(
    batches: Iterable[Sequence[NDArray[Any]]], *, groups: int, causes: int, ages: int
) -> LifeCounts:
    """Count lives by group, cause and age.

    Parameters
    ----------
    batches : any number of (group, cause, entry, exit), each a column of whole numbers: group
        from 0 to below ``groups``; cause from 1 to ``causes``, 0 for a life last seen working;
        ages at which the life came under observation and ended, from 0 to below ``ages``.
    groups, causes, ages : how many there are.

    Raises
    ------
    InputError : a number is out of range, or a life ends before it began; nothing is counted.

    Examples
    --------
    >>> found = count_lives([([0, 0, 1], [1, 0, 2], [0, 2, 0], [3, 5, 3])],
    ...                     groups=2, causes=2, ages=6)
    >>> found.entered.tolist(), found.ended[0].tolist()
    ([[1, 0, 1, 0, 0, 0], [1, 0, 0, 0, 0, 0]], [[0, 0, 0, 0, 0, 1], [0, 0, 0, 1, 0, 0], \
[0, 0, 0, 0, 0, 0]])
    """
    entered = np.zeros((groups, ages), dtype=np.int32)
    ended = np.zeros((groups, causes + 1, ages), dtype=np.int32)
    dropped = np.zeros(groups, dtype=np.int64)
    # Most additions touch a byte; one in 256 carries over into the full count.
    low = np.zeros(entered.shape, dtype=np.uint8), np.zeros(ended.shape, dtype=np.uint8)
    seen = 0
    for batch in batches:
        group, cause, entry, exit_ = (_whole(column) for column in batch)
        if not group.shape == cause.shape == entry.shape == exit_.shape:
            raise InputError("group, cause, entry and exit must be equally long.")
        if entered.dtype == np.int32 and seen + group.size > MOST_SHORT:
            entered, ended = entered.astype(np.int64), ended.astype(np.int64)
        if seen + group.size < COMPILE_FROM:
            wrong = _count_plainly(group, cause, entry, exit_, entered, ended, dropped)
        else:
            from failstats.counts.row_loops import count_rows

            wrong = count_rows(group, cause, entry, exit_, *low, entered, ended, dropped)
        if wrong >= 0:
            raise InputError(
                f"a life has group {group[wrong]}, cause {cause[wrong]}, entry {entry[wrong]} and "
                f"exit {exit_[wrong]}, but there are {groups} groups, {causes} causes and ages "
                f"below {ages}, and a life ends no earlier than it begins.",
                where=f"row {seen + wrong}",
            )
        seen += group.size
    entered += low[0]
    ended += low[1]
    return LifeCounts(entered=entered, ended=ended, dropped=dropped)


def _whole(column: NDArray[Any]) -> NDArray[Any]:
    values = np.asarray(column)
    if values.size and not np.issubdtype(values.dtype, np.integer):
        raise InputError(f"lives must be whole numbers, but a column is {values.dtype}.")
    if not values.size:
        return values.astype(np.int64)
    return values if values.dtype.isnative else values.astype(values.dtype.newbyteorder("="))


def _count_plainly(
    group: NDArray[Any],
    cause: NDArray[Any],
    entry: NDArray[Any],
    exit_: NDArray[Any],
    entered: NDArray[np.signedinteger],
    ended: NDArray[np.signedinteger],
    dropped: NDArray[np.int64],
) -> int:
    """The compiled loop in numpy: the first row out of range, or -1."""
    groups, kinds, ages = ended.shape
    bad = (group < 0) | (group >= groups) | (cause < 0) | (cause >= kinds)
    bad |= (entry < 0) | (exit_ >= ages) | (entry > exit_)
    if bad.any():
        return int(np.argmax(bad))
    idle = (entry == exit_) & (exit_ > 0)
    np.add.at(dropped, group[idle], 1)
    kept = ~idle
    at, kind = group[kept].astype(np.int64), cause[kept]
    one = entered.dtype.type(1)
    np.add.at(entered.reshape(-1), at * ages + entry[kept], one)
    np.add.at(ended.reshape(-1), (at * kinds + kind) * ages + exit_[kept], one)
    return -1
