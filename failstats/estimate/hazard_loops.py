"""The compiled loop under the robust variance; imported only where there are very many rows."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["FINE", "NEGATIVE", "NO_EVENT", "PATTERN", "REVERSED", "STRATUM", "add_score_residuals"]

#: What stopped the loop: nothing, or the first rule that a row broke.
FINE, NEGATIVE, REVERSED, PATTERN, STRATUM, NO_EVENT = range(6)


@njit(cache=True, nogil=True)
def add_score_residuals(  # pragma: no cover (compiled)
    total: NDArray[np.float64],
    seen: NDArray[np.uint8],
    cluster: NDArray[np.int64],
    stratum: NDArray[np.int32],
    pattern: NDArray[np.int32],
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
    failed: NDArray[np.int32],
    span: int,
    upto: NDArray[np.float64],
    event: NDArray[np.int32],
    hazard: NDArray[np.float64],
    design: NDArray[np.float64],
    at_failure: NDArray[np.float64],
) -> tuple[int, int, int]:
    """Add the score residuals of some rows to their clusters' sums.

    ``total`` (clusters, k) and ``seen`` (clusters,) are added to. ``upto`` (strata * span, 1 + k)
    holds the sums of hazard and hazard times mean up to each (stratum, age + 1); ``event``
    (strata * span,) the event cell there, or -1. ``hazard`` (patterns,), ``design`` (patterns, k).
    ``at_failure`` (events, 1 + 2 k): tied, tied_mean, mean. Returns (code, row, failures).
    """
    width = design.shape[1]
    strata = upto.shape[0] // span
    failures = 0
    for row in range(start.size):
        g, k, s, t, c = stratum[row], pattern[row], start[row], stop[row], cluster[row]
        if g < 0 or k < 0 or s < 0 or failed[row] < 0:
            return NEGATIVE, row, failures
        if s > t:
            return REVERSED, row, failures
        if k >= hazard.size:
            return PATTERN, row, failures
        seen[c] = 1
        if s == t and t > 0:
            continue
        if g >= strata:
            if failed[row]:
                return NO_EVENT, row, failures
            continue  # a stratum without failures
        # ages beyond the last event add nothing more; entering at 0 is before day 0
        end = g * span + min(t, span - 2) + 1
        begin = g * span + (min(s, span - 2) + 1 if s > 0 else 0)
        weight = hazard[k]
        spent = upto[end, 0] - upto[begin, 0]
        for j in range(width):
            total[c, j] -= weight * (design[k, j] * spent - (upto[end, 1 + j] - upto[begin, 1 + j]))
        if failed[row]:
            cell = event[end] if t <= span - 2 else -1
            if cell < 0:
                return NO_EVENT, row, failures
            failures += 1
            for j in range(width):
                total[c, j] += (
                    design[k, j]
                    - at_failure[cell, 1 + width + j]
                    + weight * (design[k, j] * at_failure[cell, 0] - at_failure[cell, 1 + j])
                )
    return FINE, 0, failures
