"""A smooth curve through a few knots that runs on straight beyond the first and last one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError

__all__ = ["natural_spline"]


def natural_spline(at: ArrayLike, *, knots: ArrayLike) -> NDArray[np.float64]:
    """How a risk can rise smoothly with time since the last cleaning, without wild ends.

    Parameters
    ----------
    at : (n,) where the curve is wanted. knots : (k,) rising, at least 2, in the same unit.

    Returns
    -------
    (n, k - 1) columns of the natural cubic spline, the constant left out: straight below the first
    knot and above the last. The first column is ``at`` itself.

    References
    ----------
    Hastie, Tibshirani and Friedman (2009) The Elements of Statistical Learning, equations 5.4 and
    5.5 (from memory); cubes divided by the squared span of the knots.

    Examples
    --------
    >>> basis = natural_spline([0, 12, 60], knots=[3, 12, 24, 48])
    >>> basis.shape, basis[:2, 1].round(4).tolist()
    ((3, 3), [0.0, 0.008])
    """
    x = np.atleast_1d(np.asarray(at, dtype=float))
    k = np.asarray(knots, dtype=float)
    if k.ndim != 1 or k.size < 2 or not (np.diff(k) > 0).all():
        raise InputError(f"knots must be at least 2 and rising, but are {k.tolist()}.")
    if not np.isfinite(x).all():
        raise InputError("a spline needs finite places.")
    span = (k[-1] - k[0]) ** 2

    def piece(j: int) -> NDArray[np.float64]:
        ends = np.maximum(x - k[j], 0) ** 3 - np.maximum(x - k[-1], 0) ** 3
        return ends / (k[-1] - k[j])

    last = piece(k.size - 2)
    columns = [x, *((piece(j) - last) / span for j in range(k.size - 2))]
    return np.column_stack(columns)
