"""Compiled loops over very many rows; imported only where there are that many.

The import compiles nothing yet; the first call of each loop does (a second or so, kept between
runs where the cache can be written). Small inputs stay with numpy, which answers sooner.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["add_ones", "add_weighted", "draw_weights"]


@njit(cache=True, nogil=True)
def add_ones(
    into: NDArray[np.signedinteger], place: NDArray[np.signedinteger]
) -> None:  # pragma: no cover
    """Add one to ``into`` (cells,) at every ``place`` (rows,); places may repeat."""
    for row in range(place.size):
        into[place[row]] += 1


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
