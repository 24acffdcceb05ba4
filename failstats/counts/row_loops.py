"""Compiled loops over very many rows; imported only where there are that many.

The import compiles nothing yet; the first call of each loop does (a second or so, kept between
runs where the cache can be written). Small inputs stay with numpy, which answers sooner.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["add_ones"]


@njit(cache=True, nogil=True)
def add_ones(into: NDArray[np.int64], place: NDArray[np.int32]) -> None:  # pragma: no cover
    """Add one to ``into`` (cells,) at every ``place`` (rows,); places may repeat."""
    for row in range(place.size):
        into[place[row]] += 1
