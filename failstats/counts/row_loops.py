"""Compiled loops over very many rows; imported only where there are that many.

The import compiles nothing yet; the first call of each loop does (a second or so, kept between
runs where the cache can be written). Small inputs stay with numpy, which answers sooner.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["add_weighted", "count_rows", "draw_weights"]


@njit(cache=True, nogil=True)
def count_rows(
    group: NDArray[np.integer],
    cause: NDArray[np.integer],
    entry: NDArray[np.integer],
    exit: NDArray[np.integer],
    entered_low: NDArray[np.uint8],
    ended_low: NDArray[np.uint8],
    entered: NDArray[np.signedinteger],
    ended: NDArray[np.signedinteger],
    dropped: NDArray[np.int64],
) -> int:  # pragma: no cover
    """Count each life (rows,) into the arrays of `life_counts.count_lives`.

    The low arrays hold the counts modulo 256, the full ones the rest. Returns the first row that
    is out of range, or -1.
    """
    groups, kinds, ages = ended.shape
    for row in range(group.size):
        # as unsigned numbers, so that one comparison finds negative ones too
        at, kind = np.uint64(group[row]), np.uint64(cause[row])
        first, last = np.uint64(entry[row]), np.uint64(exit[row])
        if at >= groups or kind >= kinds or last >= ages or first > last:
            return row
        if first == last and last > 0:
            dropped[at] += 1
            continue
        low = np.uint8(entered_low[at, first] + np.uint8(1))
        entered_low[at, first] = low
        if low == 0:
            entered[at, first] += 256
        low = np.uint8(ended_low[at, kind, last] + np.uint8(1))
        ended_low[at, kind, last] = low
        if low == 0:
            ended[at, kind, last] += 256
    return -1


_STEP = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)


@njit(cache=True, nogil=True)
def _weights_of(
    key: np.uint64, bounds: NDArray[np.uint64], into: NDArray[np.int32]
) -> None:  # pragma: no cover
    """One weight for each replicate, from a hash of (key, replicate): see `bootstrap.weights`."""
    state = key
    for replicate in range(into.size):
        state = state + _STEP
        mixed = (state ^ (state >> np.uint64(30))) * _MIX_1
        mixed = (mixed ^ (mixed >> np.uint64(27))) * _MIX_2
        mixed = mixed ^ (mixed >> np.uint64(31))
        weight = 0
        while weight < bounds.size and mixed >= bounds[weight]:
            weight += 1
        into[replicate] = weight


@njit(cache=True, nogil=True)
def draw_weights(
    keys: NDArray[np.uint64], bounds: NDArray[np.uint64], into: NDArray[np.int32]
) -> None:  # pragma: no cover
    """Fill ``into`` (keys, replicates) with a weight for each key and replicate."""
    for row in range(keys.size):
        _weights_of(keys[row], bounds, into[row])


@njit(cache=True, nogil=True)
def add_weighted(
    keys: NDArray[np.uint64],
    stratum: NDArray[np.int32],
    entry: NDArray[np.int32],
    exit: NDArray[np.int32],
    failed: NDArray[np.bool_],
    bounds: NDArray[np.uint64],
    entered: NDArray[np.int32],
    ended: NDArray[np.int32],
    left: NDArray[np.int32],
) -> None:  # pragma: no cover
    """Count each life in every replicate as often as its unit was drawn there.

    ``keys``, ``stratum``, ``entry``, ``exit``, ``failed`` (lives,); ``entered``, ``ended`` (that
    failed) and ``left`` (strata, ages, replicates) are added to.
    """
    weight = np.zeros(entered.shape[2], dtype=np.int32)
    for row in range(keys.size):
        if row == 0 or keys[row] != keys[row - 1]:
            _weights_of(keys[row], bounds, weight)
        group = stratum[row]
        into = ended[group, exit[row]] if failed[row] else left[group, exit[row]]
        began = entered[group, entry[row]]
        for replicate in range(weight.size):
            began[replicate] += weight[replicate]
            into[replicate] += weight[replicate]
