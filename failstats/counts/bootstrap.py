"""Resampled counts: each unit, or building, drawn a Poisson number of times in each replicate.

The number is read off a hash of (unit or building, replicate) through the inverse of the Poisson
distribution with mean 1. So it depends on nothing else: not on the order of rows, the number of
partitions or the machine, and counts of replicates add up over partitions like any others.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from typing import Any

import numpy as np
from numpy.typing import NDArray

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = ["REPLICATES", "ReplicateCounts", "key_of", "replicate_counts", "weights"]

#: Enough for a 95 % percentile interval: its ends are then the 13th from either side.
REPLICATES = 500
COLUMNS = ("entered", "failed", "left")
MOST_BYTES = 3 * 10**9  # of the counts of all replicates; a quarter of 4 GB is left to the rest
ROWS_AT_ONCE = 500_000
LARGEST_WEIGHT = 24  # P(more) is 2e-26: below one in 2^64


def _bounds() -> NDArray[np.uint64]:
    """Where the Poisson(1) distribution steps, in units of 2^-64; exact to the last unit."""
    with localcontext() as context:
        context.prec = 50
        total, out = Decimal(0), []
        for k in range(LARGEST_WEIGHT):
            total += Decimal(-1).exp() / math.factorial(k)
            out.append(min(int(total * 2**64), 2**64 - 1))
    return np.unique(np.array(out, dtype=np.uint64))


BOUNDS = _bounds()


def key_of(label: str) -> int:
    """The number that stands for a unit or building: the lower half of its md5.

    >>> key_of("abc")
    8250560606382298838
    """
    digest = hashlib.md5(label.encode("utf-8"), usedforsecurity=False).digest()
    return int.from_bytes(digest[8:], "little")


def weights(keys: Any, *, replicates: int = REPLICATES) -> NDArray[np.int32]:
    """How often each unit is drawn in each replicate.

    Parameters
    ----------
    keys : (n,) numbers of units or buildings, as of `key_of`.

    Returns
    -------
    (n, replicates) whole numbers, Poisson with mean 1.

    Notes
    -----
    The hash is the output function of splitmix64 (Steele, Lea and Flood 2014, OOPSLA, p. 453;
    page from memory), started at the key. Poisson weights in place of drawing n of n: Hanley and
    MacGibbon (2006), Computer Methods and Programs in Biomedicine 83:57 (from memory).
    """
    from failstats.counts.row_loops import draw_weights

    numbers = np.ascontiguousarray(keys, dtype=np.uint64)
    found = np.empty((numbers.size, replicates), dtype=np.int32)
    draw_weights(numbers, BOUNDS, found)
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplicateCounts:
    """Counts by age of every stratum in every replicate.

    Attributes
    ----------
    strata : their names, in order.
    entered, failed, left : (strata, ages, replicates) whole numbers; age is the row.
    """

    strata: tuple[str, ...]
    entered: NDArray[np.int32]
    failed: NDArray[np.int32]
    left: NDArray[np.int32]

    @property
    def nbytes(self) -> int:
        """Size in bytes."""
        return self.entered.nbytes + self.failed.nbytes + self.left.nbytes

    @property
    def replicates(self) -> int:
        """How many."""
        return int(self.entered.shape[2])

    def tables(self, stratum: str) -> list[RiskTable]:
        """The counts of one stratum, a table for each replicate."""
        at = self.strata.index(stratum)
        columns = (self.entered[at], self.failed[at], self.left[at])
        kept = np.flatnonzero(np.any([column.any(axis=1) for column in columns], axis=0))
        entered, failed, left = (np.ascontiguousarray(column[kept].T) for column in columns)
        return [
            RiskTable(kept, entered[r], {"failed": failed[r]}, left[r])
            for r in range(self.replicates)
        ]

    def plus(self, other: ReplicateCounts) -> ReplicateCounts:
        """Counts of two separate sets of units."""
        strata = tuple(sorted({*self.strata, *other.strata}))
        ages = max(self.entered.shape[1], other.entered.shape[1])
        whole = _empty(strata, ages, self.replicates)
        for name in COLUMNS:
            into = getattr(whole, name)
            for one in (self, other):
                mine = getattr(one, name)
                for at, stratum in enumerate(one.strata):
                    into[strata.index(stratum), : mine.shape[1]] += mine[at]
        return whole


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Narrow:
    """Counts as they travel: of every stratum the ages with a life, in as few bytes as they need.

    Attributes
    ----------
    strata : in order. ages : how many. columns : of each stratum the ages at which a count is not
        0 in every replicate, and those counts, (ages, replicates).
    """

    strata: tuple[str, ...]
    ages: int
    replicates: int
    columns: dict[str, list[tuple[NDArray[np.int32], NDArray[Any]]]]

    @classmethod
    def of(cls, counts: ReplicateCounts) -> _Narrow:
        columns = {}
        for name in COLUMNS:
            pairs = []
            for one in getattr(counts, name):
                ages = np.flatnonzero(one.any(axis=1)).astype(np.int32)
                kept = one[ages]
                pairs.append((ages, kept.astype(np.min_scalar_type(int(kept.max(initial=0))))))
            columns[name] = pairs
        shape = counts.entered.shape
        return cls(strata=counts.strata, ages=shape[1], replicates=shape[2], columns=columns)

    def add_to(self, whole: ReplicateCounts) -> None:
        """Add these counts to those of all."""
        place = {name: at for at, name in enumerate(whole.strata)}
        for name in COLUMNS:
            into = getattr(whole, name)
            for stratum, (ages, counts) in zip(self.strata, self.columns[name], strict=True):
                into[place[stratum], ages] += counts

    def plus(self, other: _Narrow) -> _Narrow:
        """Counts of two separate sets of units."""
        strata = tuple(sorted({*self.strata, *other.strata}))
        whole = _empty(strata, max(self.ages, other.ages), self.replicates)
        self.add_to(whole)
        other.add_to(whole)
        return _Narrow.of(whole)

    def wide(self) -> ReplicateCounts:
        """The counts in full arrays."""
        whole = _empty(self.strata, self.ages, self.replicates)
        self.add_to(whole)
        return whole


def _check_size(shape: tuple[int, int, int]) -> None:
    size = 3 * 4 * math.prod(shape)
    if size > MOST_BYTES:
        raise InputError(
            f"counts of all replicates must fit into {MOST_BYTES / 1e9:g} GB, but {shape[0]:,} "
            f"strata, {shape[1]:,} ages and {shape[2]:,} replicates take {size / 1e9:.1f} GB.",
            where="--replicates",
            do="ask for fewer replicates, or tell lives apart by fewer columns.",
        )


def _empty(strata: tuple[str, ...], ages: int, replicates: int) -> ReplicateCounts:
    shape = (len(strata), ages, replicates)
    _check_size(shape)
    entered, failed, left = (np.zeros(shape, dtype=np.int32) for _ in range(3))
    return ReplicateCounts(strata=strata, entered=entered, failed=failed, left=left)


def _counted(session: Session, given: dict[str, Any], replicates: int) -> _Narrow:
    """The lives of one session in every replicate: one pass over its rows, a batch at a time."""
    from failstats.counts.row_loops import add_weighted

    found = _empty((), 0, replicates)
    for batch in session.batches("lives_keyed", rows=ROWS_AT_ONCE, **given):
        if not batch.num_rows:
            continue
        columns = {name: batch.column(name) for name in batch.schema.names}
        names = columns["stratum"].dictionary_encode()
        strata = [str(name) for name in names.dictionary.to_pylist()]
        exit_ = columns["exit_age"].to_numpy().astype(np.int32)
        ages = int(exit_.max()) + 1
        if ages > found.entered.shape[1] or not {*strata} <= {*found.strata}:
            found = found.plus(_empty(tuple(strata), ages, replicates))
        place = np.array([found.strata.index(name) for name in strata], dtype=np.int32)
        add_weighted(
            columns["cluster_key"].to_numpy().astype(np.uint64),
            place[names.indices.to_numpy()],
            columns["entry_age"].to_numpy().astype(np.int32),
            exit_,
            columns["failed"].to_numpy(zero_copy_only=False).astype(bool),
            BOUNDS,
            found.entered,
            found.failed,
            found.left,
        )
    return _Narrow.of(found)


def replicate_counts(
    session: Session,
    *,
    by: Sequence[str] = (),
    clock: str = "days",
    replicates: int = REPLICATES,
    **params: Any,
) -> ReplicateCounts:
    """The counts of `lives_cells` in every replicate, units or buildings drawn anew.

    Parameters
    ----------
    by : columns to tell lives apart by. clock : days or loads.
    replicates : how many. params : part, births, followed and bracket of `lives_cells`.

    Returns
    -------
    ReplicateCounts, the same to the last bit from a warehouse and from its partitions.

    Raises
    ------
    InputError : fewer than two replicates, or they take too much memory.
    """
    if replicates < 2:
        raise InputError(
            f"--replicates must be at least 2, but is {replicates}.",
            where="--replicates",
            do=f"give {REPLICATES} for 95 % intervals.",
        )
    given = {"by": list(by), "clock": clock, **params}
    found: _Narrow = session.add_units(_counted, given, replicates, reading=("lives_keyed",))
    return found.wide()
