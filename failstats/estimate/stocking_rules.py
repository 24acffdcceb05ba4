"""Simple ways to fill a van, at a spend that is given: what a planned list must beat.

All take what was used per cycle and fill up to the same money and room; the three rules are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["RULES", "mean_rounded_up", "most_used", "one_of_each"]

MOST = 500  # of one item, should it cost nothing

Room = Callable[[NDArray[np.int64]], bool]


def _fits(price: ArrayLike, volume: ArrayLike, spend: float, room: float) -> Room:
    cost, size = np.asarray(price, float), np.asarray(volume, float)

    def fits(stock: NDArray[np.int64]) -> bool:
        return bool(stock @ cost <= spend * (1 + 1e-12) + 1e-9 and stock @ size <= room + 1e-9)

    return fits


def _fill(
    stock: NDArray[np.int64], score: Callable[[NDArray[np.int64]], NDArray[np.float64]], fits: Room
) -> NDArray[np.int64]:
    """Add one of the item with the largest score that fits, until none does."""
    stock = stock.copy()
    while True:
        for item in np.argsort(-score(stock), kind="stable"):
            if score(stock)[item] <= 0:
                return stock
            stock[item] += 1
            if stock[item] <= MOST and fits(stock):
                break
            stock[item] -= 1
        else:
            return stock


def one_of_each(
    used: ArrayLike, *, price: ArrayLike, volume: ArrayLike, spend: float, room: float = np.inf
) -> NDArray[np.int64]:
    """One of each item, the most used first, then a second of each, until the money is spent.

    Parameters
    ----------
    used : (items,) units used per cycle. price, volume : (items,) per unit.
    spend, room : limits on the whole list.

    Examples
    --------
    >>> one_of_each([3, 1], price=[10, 20], volume=[0, 0], spend=50).tolist()
    [3, 1]
    """
    use = np.asarray(used, float)
    fits = _fits(price, volume, spend, room)
    tie = use / (use.max(initial=0.0) + 1) + 1e-9
    return _fill(np.zeros(use.size, np.int64), lambda stock: tie - stock + 1e6, fits)


def most_used(
    used: ArrayLike, *, price: ArrayLike, volume: ArrayLike, spend: float, room: float = np.inf
) -> NDArray[np.int64]:
    """In proportion to use: each unit goes to the item with the most use per unit carried.

    Parameters
    ----------
    As for :func:`one_of_each`.

    Examples
    --------
    >>> most_used([3, 1], price=[10, 20], volume=[0, 0], spend=50).tolist()
    [3, 1]
    """
    use = np.asarray(used, float)
    fits = _fits(price, volume, spend, room)
    return _fill(np.zeros(use.size, np.int64), lambda stock: use / (stock + 1), fits)


def mean_rounded_up(
    used: ArrayLike, *, price: ArrayLike, volume: ArrayLike, spend: float, room: float = np.inf
) -> NDArray[np.int64]:
    """Mean use of a cycle rounded up; all of it scaled alike to the money, the rest filled by use.

    Parameters
    ----------
    As for :func:`one_of_each`.

    Examples
    --------
    >>> mean_rounded_up([1.2, 0.3], price=[10, 20], volume=[0, 0], spend=50).tolist()
    [3, 1]
    """
    use = np.asarray(used, float)
    fits = _fits(price, volume, spend, room)
    low, high = 0.0, 1.0
    while fits(np.ceil(use * high).astype(np.int64)) and high < 1e6 and use.any():
        low, high = high, high * 2
    for _ in range(60):
        middle = (low + high) / 2
        if fits(np.ceil(use * middle).astype(np.int64)):
            low = middle
        else:
            high = middle
    stock = np.ceil(use * low).astype(np.int64)
    return _fill(stock, lambda held: use / (held + 1), fits)


RULES: dict[str, Callable[..., NDArray[np.int64]]] = {
    "one of each": one_of_each,
    "most used last year": most_used,
    "mean demand rounded up": mean_rounded_up,
}
