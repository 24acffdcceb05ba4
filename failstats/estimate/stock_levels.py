"""How many of one item to hold, at the depot or on a van, when demand is uncertain.

``loss`` is E(D - S)+, the units wanted beyond S. Base stock: every unit that leaves is ordered
again at once and arrives after the lead time, so the demand over the lead time decides everything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import nbinom, norm, poisson

from failstats.errors import InputError

__all__ = [
    "BaseStock",
    "Newsvendor",
    "base_stock",
    "compound_poisson",
    "demand_loss",
    "least_stock",
    "negative_binomial_demand",
    "newsvendor",
    "newsvendor_normal",
    "normal_loss",
    "poisson_demand",
    "poisson_loss",
]

TAIL = 1e-15  # chance beyond which a tabulated demand is cut off
LONGEST = 2_000_000  # entries of a tabulated demand


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Newsvendor:
    """One order for one season.

    Attributes
    ----------
    quantity : units to order (a real number under the normal law).
    ratio : the critical ratio, underage / (underage + overage).
    cost : expected cost of ordering too many or too few.
    """

    quantity: float
    ratio: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BaseStock:
    """What a base stock of one item does.

    Attributes
    ----------
    stock : units held and on order together, S.
    ready_rate : share of time in which nothing is owed, P(D <= S).
    fill_rate : share of demands met at once, P(D <= S - 1), for units asked for one at a time at
        Poisson moments; with several at a time, the share of customers who find at least one.
    back_orders : expected units owed.
    on_hand : expected units on the shelf.
    cost : holding x on_hand + shortage x back_orders, per unit of time; None without prices.
    """

    stock: int
    ready_rate: float
    fill_rate: float
    back_orders: float
    on_hand: float
    cost: float | None


# --- demand as a table of chances ---------------------------------------------------------------


def poisson_demand(mean: float) -> NDArray[np.float64]:
    """Chances of 0, 1, 2, ... units when demand comes at random moments, one unit at a time."""
    mu = _at_least_zero(mean, "mean")
    return np.asarray(poisson.pmf(np.arange(int(poisson.isf(TAIL, mu)) + 2), mu))


def negative_binomial_demand(mean: float, *, size: float) -> NDArray[np.float64]:
    """Chances of 0, 1, 2, ... units when demand scatters more than Poisson.

    Parameters
    ----------
    mean : expected units.
    size : the smaller, the more scatter; variance = mean + mean^2 / size.
    """
    mu = _at_least_zero(mean, "mean")
    if not (np.isfinite(size) and size > 0):
        raise InputError(f"size must be above 0, but is {size}.", do="give a positive size.")
    success = size / (size + mu)
    longest = int(nbinom.isf(TAIL, size, success)) + 2
    return np.asarray(nbinom.pmf(np.arange(_short(longest)), size, success))


def compound_poisson(rate: float, *, sizes: ArrayLike) -> NDArray[np.float64]:
    """Chances of 0, 1, 2, ... units when a customer may want several.

    Parameters
    ----------
    rate : expected customers.
    sizes : chances that a customer wants 1, 2, 3, ... units; they sum to 1.

    Returns
    -------
    (units + 1,) chances, by Panjer's recursion; large rates are halved and the halves added up.

    Examples
    --------
    >>> compound_poisson(1.0, sizes=[0.5, 0.5])[:2].round(6).tolist()
    [0.367879, 0.18394]
    """
    expected = _at_least_zero(rate, "rate")
    chances = _chances(sizes, "sizes")
    if expected == 0:
        return np.ones(1)
    if expected > 50:
        half = compound_poisson(expected / 2, sizes=chances)
        return _cut(np.convolve(half, half))
    unit = np.arange(1, chances.size + 1)
    mean, spread = expected * (unit @ chances), np.sqrt(expected * (unit**2 @ chances))
    longest = _short(int(mean + 12 * spread + 40 * chances.size) + 20)
    weighted = expected * unit * chances
    result = np.zeros(longest)
    result[0] = np.exp(-expected)
    for total in range(1, longest):
        reach = min(total, chances.size)
        result[total] = weighted[:reach] @ result[total - reach : total][::-1] / total
    return _cut(result)


def demand_loss(demand: ArrayLike, *, stock: ArrayLike) -> NDArray[np.float64]:
    """Units wanted beyond the stock, on average.

    Parameters
    ----------
    demand : chances of 0, 1, 2, ... units.
    stock : whole quantities S, any shape.

    Returns
    -------
    E(D - S)+, in the shape of ``stock``.

    Examples
    --------
    >>> demand_loss([0.5, 0.25, 0.25], stock=[0, 1, 2]).tolist()
    [0.75, 0.25, 0.0]
    """
    chances = _chances(demand, "demand")
    beyond = np.concatenate([np.cumsum(chances[::-1])[::-1][1:], [0.0]])  # P(D > s)
    table = np.concatenate([np.cumsum(beyond[::-1])[::-1], [0.0]])
    level = _whole_stock(stock)
    return np.asarray(table[np.minimum(level, table.size - 1)])


def poisson_loss(stock: ArrayLike, *, mean: float) -> NDArray[np.float64]:
    """Units wanted beyond the stock when demand is Poisson: mean P(D >= S-1) - S P(D >= S)."""
    return demand_loss(poisson_demand(mean), stock=stock)


def normal_loss(level: ArrayLike, *, mean: float, sd: float) -> NDArray[np.float64]:
    """Units wanted beyond a level when demand is normal: sd (phi(z) - z (1 - Phi(z)))."""
    z = (np.asarray(level, dtype=np.float64) - mean) / sd
    return np.asarray(sd * (norm.pdf(z) - z * norm.sf(z)))


# --- how many -----------------------------------------------------------------------------------


def least_stock(demand: ArrayLike, *, service: float) -> int:
    """The fewest units that cover demand with a wanted chance, P(D <= S) >= service."""
    chances = _chances(demand, "demand")
    if not 0 <= service < 1:
        raise InputError(
            f"service must be at least 0 and below 1, but is {service}.", do="give 0.95 for 95 %."
        )
    below = np.minimum(np.cumsum(chances), 1.0)
    return int(np.argmax(below >= min(service, below[-1]) - 1e-12))


def newsvendor(demand: ArrayLike, *, underage: float, overage: float, first: int = 0) -> Newsvendor:
    """How many to order once for a season, in whole units.

    Parameters
    ----------
    demand : chances of ``first``, ``first`` + 1, ... units.
    underage : money lost for a unit wanted and not there.
    overage : money lost for a unit left over.

    Returns
    -------
    The least quantity with P(D <= Q) at or above the critical ratio.

    Examples
    --------
    >>> newsvendor([1 / 6] * 6, underage=170.0, overage=505.0, first=10).quantity
    11.0
    """
    ratio = _ratio(underage, overage)
    chances = _chances(demand, "demand")
    below = np.minimum(np.cumsum(chances), 1.0)
    quantity = first + int(np.argmax(below >= min(ratio, below[-1]) - 1e-12))
    units = first + np.arange(chances.size)
    short, left = (
        np.maximum(units - quantity, 0) @ chances,
        np.maximum(quantity - units, 0) @ chances,
    )
    cost = float(underage * short + overage * left)
    return Newsvendor(quantity=float(quantity), ratio=ratio, cost=cost)


def newsvendor_normal(*, mean: float, sd: float, underage: float, overage: float) -> Newsvendor:
    """How many to order once for a season when demand is about normal.

    Parameters
    ----------
    mean, sd : of demand, in units; sd above 0.
    underage, overage : as in :func:`newsvendor`.

    Returns
    -------
    The real-valued optimum; cost = (underage + overage) sd phi(z).
    """
    ratio = _ratio(underage, overage)
    if not (np.isfinite(sd) and sd > 0 and np.isfinite(mean)):
        raise InputError(f"sd must be above 0, but is {sd}.", do="correct mean and sd.")
    if not 0 < ratio < 1:
        raise InputError(
            "underage and overage must both be above 0 for normal demand.", do="correct the prices."
        )
    z = float(norm.ppf(ratio))
    cost = float((underage + overage) * sd * norm.pdf(z))
    return Newsvendor(quantity=mean + z * sd, ratio=ratio, cost=cost)


def base_stock(
    demand: ArrayLike,
    *,
    stock: int | None = None,
    holding: float | None = None,
    shortage: float | None = None,
) -> BaseStock:
    """What a base stock does, or which one is cheapest.

    Parameters
    ----------
    demand : chances of 0, 1, 2, ... units over the lead time.
    stock : S; without it the cheapest is found, for which both prices are needed.
    holding, shortage : money per unit and time for a unit on the shelf, and for a unit owed.

    Returns
    -------
    A :class:`BaseStock`; the cheapest is the least S with P(D <= S) >= shortage/(shortage+holding).

    Examples
    --------
    >>> best = base_stock(poisson_demand(2.4), holding=1.0, shortage=9.0)
    >>> best.stock, round(best.cost, 4)
    (4, 3.0759)
    """
    chances = _chances(demand, "demand")
    below = np.minimum(np.cumsum(chances), 1.0)
    if stock is None:
        if holding is None or shortage is None:
            raise InputError(
                "the cheapest base stock needs both holding and shortage.",
                do="give both prices, or the stock.",
            )
        ratio = _ratio(shortage, holding)
        level = int(np.argmax(below >= min(ratio, below[-1]) - 1e-12))
    else:
        level = int(_whole_stock(stock))
    owed = float(demand_loss(chances, stock=level))
    mean = float(np.arange(chances.size) @ chances)
    on_hand = level - mean + owed
    cost = None
    if holding is not None and shortage is not None:
        cost = float(holding * on_hand + shortage * owed)
    return BaseStock(
        stock=level,
        ready_rate=float(below[min(level, below.size - 1)]),
        fill_rate=float(below[min(level - 1, below.size - 1)]) if level > 0 else 0.0,
        back_orders=owed,
        on_hand=on_hand,
        cost=cost,
    )


# --- checks -------------------------------------------------------------------------------------


def _at_least_zero(value: float, name: str) -> float:
    if not (np.isfinite(value) and value >= 0):
        raise InputError(f"{name} must be at least 0, but is {value}.", do=f"correct {name}.")
    return float(value)


def _ratio(under: float, over: float) -> float:
    for name, value in (("underage or shortage", under), ("overage or holding", over)):
        _at_least_zero(value, name)
    if under + over <= 0:
        raise InputError("at least one of the two prices must be above 0.", do="correct them.")
    return float(under / (under + over))


def _chances(values: ArrayLike, name: str) -> NDArray[np.float64]:
    row = np.array(values, dtype=np.float64)
    if row.ndim != 1 or not row.size or not np.isfinite(row).all() or (row < 0).any():
        raise InputError(f"{name} must be a row of chances of at least 0.", do=f"correct {name}.")
    if abs(row.sum() - 1) > 1e-9:
        raise InputError(f"{name} must sum to 1, but sums to {row.sum():.6g}.", do="complete it.")
    return np.asarray(row / row.sum())


def _cut(chances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without the end that holds less than ``TAIL``; what remains sums to 1."""
    beyond = np.cumsum(chances[::-1])[::-1]
    kept = chances[: max(int((beyond > TAIL * beyond[0]).sum()), 1)]
    return np.asarray(kept / kept.sum())


def _short(length: int) -> int:
    if length > LONGEST:
        raise InputError(
            f"demand would need a table of {length} entries, more than {LONGEST}.",
            do="count in larger units.",
        )
    return length


def _whole_stock(stock: ArrayLike) -> NDArray[np.int64]:
    level = np.asarray(stock)
    whole = level.astype(np.int64)
    if (whole != level).any() or (whole < 0).any():
        raise InputError("stock must hold whole numbers of at least 0.", do="correct stock.")
    return np.asarray(whole)
