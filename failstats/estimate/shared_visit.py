"""Two parts that can share one visit: pair them or not, and what the partner may cost.

Weibull is S(t) = exp(-(t / scale) ** shape); the two lives are independent here. With exponential
lives pairing never pays: a used part is as good as a new one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad
from scipy.special import gamma

from failstats.errors import InputError
from failstats.estimate.replacement import _amount, _weibull

__all__ = ["PairCosts", "break_even_price", "break_even_price_weibull", "pair_costs_weibull"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairCosts:
    """Two parts that can share a visit.

    Attributes
    ----------
    first_failure : mean time from both new to the first failure.
    never : money per unit of time when each part is replaced only when it fails.
    always : money per unit of time when both are replaced whenever one fails.
    """

    first_failure: float
    never: float
    always: float


def pair_costs_weibull(
    lives: tuple[tuple[float, float], tuple[float, float]],
    *,
    prices: tuple[float, float],
    visit_cost: float,
) -> PairCosts:
    """What two parts with independent Weibull lives cost when paired, and when not.

    Parameters
    ----------
    lives : (shape, scale) of each part.
    prices : money for each part, fitting included.
    visit_cost : money for a visit, whatever is replaced on it.

    Examples
    --------
    >>> pair = pair_costs_weibull(((2, 8), (2, 12)), prices=(20, 25), visit_cost=100)
    >>> round(pair.never, 4), round(pair.always, 4)
    (28.6796, 24.5801)
    """
    (shape_a, scale_a), (shape_b, scale_b) = lives
    for shape, scale in lives:
        _weibull(shape, scale)
    price_a, price_b = (_amount(price, "prices") for price in prices)
    visit = _amount(visit_cost, "visit_cost")
    if shape_a == shape_b:
        scale = (scale_a**-shape_a + scale_b**-shape_a) ** (-1 / shape_a)
        first = scale * gamma(1 + 1 / shape_a)
    else:

        def both(t: float) -> float:
            return float(np.exp(-((t / scale_a) ** shape_a) - (t / scale_b) ** shape_b))

        near = min(scale_a, scale_b)
        first = quad(both, 0, near, epsabs=0, epsrel=1e-11, limit=200)[0]
        first += quad(both, near, np.inf, epsabs=1e-13 * near, epsrel=1e-11, limit=200)[0]
    never = (price_a + visit) / (scale_a * gamma(1 + 1 / shape_a))
    never += (price_b + visit) / (scale_b * gamma(1 + 1 / shape_b))
    always = (price_a + price_b + visit) / first
    return PairCosts(first_failure=float(first), never=float(never), always=float(always))


def break_even_price(fails_old: float, *, fails_new: float, visit_cost: float) -> float:
    """The price below which the partner is worth replacing while the cabinet is open.

    Parameters
    ----------
    fails_old : chance that the old partner fails within the horizon.
    fails_new : chance that a new one does.
    visit_cost : money for the visit that a failure brings, without the part.

    Returns
    -------
    K d / (1 - d) with d = fails_old - fails_new; 0 when the new part is no better, infinite when
    d is 1. One failure at most is counted within the horizon.
    """
    for name, value in (("fails_old", fails_old), ("fails_new", fails_new)):
        if not 0 <= value <= 1:
            raise InputError(f"{name} must lie between 0 and 1, but is {value}.", do="correct it.")
    gain = max(fails_old - fails_new, 0.0)
    visit = _amount(visit_cost, "visit_cost")
    return float("inf") if gain >= 1 else visit * gain / (1 - gain)


def break_even_price_weibull(
    shape: float, *, scale: float, age: float, horizon: float, visit_cost: float
) -> float:
    """As :func:`break_even_price`, for a partner of known age with a Weibull life.

    Examples
    --------
    >>> round(break_even_price_weibull(2, scale=10, age=8, horizon=5, visit_cost=90), 4)
    67.5804
    """
    _weibull(shape, scale)
    aged, ahead = _amount(age, "age"), _amount(horizon, "horizon")
    old = -np.expm1((aged / scale) ** shape - ((aged + ahead) / scale) ** shape)
    new = -np.expm1(-((ahead / scale) ** shape))
    return break_even_price(float(old), fails_new=float(new), visit_cost=visit_cost)
