"""When to replace a part before it fails, in money per unit of time.

Weibull is S(t) = exp(-(t / scale) ** shape). Age replacement: a part is replaced when it fails or
when it reaches an age, whichever comes first. Block replacement: on fixed dates, and at failures in
between. References: Barlow and Hunter (1960); Barlow and Proschan (1965).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gamma, gammainc

from failstats.errors import InputError

__all__ = [
    "ReplacementPolicy",
    "age_replacement_curve",
    "age_replacement_weibull",
    "block_replacement",
    "renewal_function",
    "weibull_age_cost_rate",
]

RARE = 1e-6  # when fewer parts than this share reach the best age, the answer is "never"
FLAT = 1e-9  # savings below this share of the cost are rounding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplacementPolicy:
    """The best age or date to replace, or never.

    Attributes
    ----------
    interval : age or period, in the unit of the life; None means never before failure.
    cost_rate : money per unit of time under this policy.
    cost_rate_never : money per unit of time when parts run to failure; None when the curve ends
        before the mean life is known.
    """

    interval: float | None
    cost_rate: float
    cost_rate_never: float | None

    @property
    def relative_cost(self) -> float | None:
        """Cost as a share of that of running to failure."""
        if self.cost_rate_never is None:
            return None
        return self.cost_rate / self.cost_rate_never if self.cost_rate_never > 0 else 1.0


# --- age replacement ----------------------------------------------------------------------------


def weibull_age_cost_rate(
    interval: ArrayLike, *, shape: float, scale: float, planned_cost: float, failure_cost: float
) -> NDArray[np.float64]:
    """Money per unit of time when Weibull parts are replaced at an age, (c_p S + c_f F) / int S.

    Parameters
    ----------
    interval : ages above 0, any shape; infinity is running to failure.
    shape, scale : of the life.
    planned_cost, failure_cost : money for a replacement at the age, and for one at a failure.
    """
    _weibull(shape, scale)
    planned, failed = _costs(planned_cost, failure_cost)
    x = np.asarray(interval, dtype=np.float64) / scale
    if not (x > 0).all():
        raise InputError("interval must be above 0.", do="give positive ages.")
    power = x**shape
    lived = scale * gamma(1 + 1 / shape) * gammainc(1 / shape, power)
    return np.asarray((planned * np.exp(-power) - failed * np.expm1(-power)) / lived)


def age_replacement_weibull(
    shape: float, *, scale: float, planned_cost: float, failure_cost: float
) -> ReplacementPolicy:
    """At which age a part with a Weibull life is cheapest to replace.

    Parameters
    ----------
    shape, scale : of the life; failures only, a tripped part has not worn out.
    planned_cost, failure_cost : money for a replacement at the age, and for one at a failure.

    Returns
    -------
    The optimum, h(T) int S - F = c_p / (c_f - c_p). Never when the hazard does not rise (shape at
    most 1), when a failure costs no more, or when fewer than a part in a million would reach it.

    Notes
    -----
    The age is sensitive to the shape; quote it with an interval over the fitted shapes.

    Examples
    --------
    >>> best = age_replacement_weibull(2.0, scale=10.0, planned_cost=1.0, failure_cost=5.0)
    >>> round(best.interval, 3), round(best.relative_cost, 3)
    (5.107, 0.724)
    """
    _weibull(shape, scale)
    planned, failed = _costs(planned_cost, failure_cost)
    never = float(failed / (scale * gamma(1 + 1 / shape)))
    none = ReplacementPolicy(interval=None, cost_rate=never, cost_rate_never=never)
    if shape <= 1 or failed <= planned:
        return none
    if planned == 0:
        raise InputError(
            "planned_cost must be above 0: what costs nothing would be replaced all the time.",
            do="give the price of the part at least.",
        )
    wanted = planned / (failed - planned)

    def beyond(x: float) -> float:
        power = x**shape
        lived = gamma(1 + 1 / shape) * gammainc(1 / shape, power)
        return float(shape * x ** (shape - 1) * lived + np.expm1(-power) - wanted)

    last = (-np.log(RARE)) ** (1 / shape)
    if beyond(last) <= 0:
        return none
    best = scale * float(brentq(beyond, 0.0, last, xtol=1e-13, rtol=1e-13))
    rate = weibull_age_cost_rate(
        best, shape=shape, scale=scale, planned_cost=planned, failure_cost=failed
    )
    return ReplacementPolicy(interval=best, cost_rate=float(rate), cost_rate_never=never)


def age_replacement_curve(
    age: ArrayLike,
    *,
    survival: ArrayLike,
    planned_cost: float,
    failure_cost: float,
    step: bool = True,
) -> ReplacementPolicy:
    """At which age a part is cheapest to replace, from its survival curve and no formula.

    Parameters
    ----------
    age : (points,) rising ages; a first point 0 with survival 1 is added if it is missing.
    survival : (points,) share surviving beyond each age, never rising.
    planned_cost, failure_cost : as in :func:`age_replacement_weibull`.
    step : the curve falls in steps at the ages (Kaplan-Meier); else in straight lines between.

    Returns
    -------
    The optimum over ages up to the last point. Never when waiting to the last point is cheapest;
    the cost is then that of replacing there, if the curve has not reached 0.

    Notes
    -----
    In a step curve a part is replaced just before the step. Bootstrap it: with few failures the
    best age jumps about.
    """
    planned, failed = _costs(planned_cost, failure_cost)
    when, alive = _curve(age, survival)
    width = np.diff(when)
    left = alive[:-1] if step else (alive[:-1] + alive[1:]) / 2
    lived = np.concatenate([[0.0], np.cumsum(width * left)])
    before = np.concatenate([[1.0], alive[:-1]]) if step else alive
    rate = np.full(when.size, np.inf)
    seen = lived > 0
    rate[seen] = (planned * before[seen] + failed * (1 - before[seen])) / lived[seen]
    never = float(failed / lived[-1]) if alive[-1] <= 0 else None
    end = never if never is not None else float(rate[-1])
    best = int(np.argmin(rate))
    interval, cost = float(when[best]), float(rate[best])
    if not step:
        interval, cost = _between(when, alive, lived, best, planned, failed)
    if cost >= end * (1 - FLAT) or interval >= when[-1] * (1 - FLAT):
        return ReplacementPolicy(interval=None, cost_rate=end, cost_rate_never=never)
    return ReplacementPolicy(interval=interval, cost_rate=cost, cost_rate_never=never)


def _between(
    when: NDArray[np.float64],
    alive: NDArray[np.float64],
    lived: NDArray[np.float64],
    best: int,
    planned: float,
    failed: float,
) -> tuple[float, float]:
    """The least cost in the two straight pieces around the best point."""

    def rate(at: float) -> float:
        piece = min(int(np.searchsorted(when, at, side="right")) - 1, when.size - 2)
        here = float(np.interp(at, when, alive))
        time = lived[piece] + (at - when[piece]) * (alive[piece] + here) / 2
        return float((planned * here + failed * (1 - here)) / time) if time > 0 else np.inf

    found = (float(when[best]), rate(float(when[best])))
    for low in range(max(best - 1, 0), min(best + 1, when.size - 1)):
        inside = minimize_scalar(
            rate, bounds=(when[low], when[low + 1]), method="bounded", options={"xatol": 1e-10}
        )
        if inside.fun < found[1]:
            found = (float(inside.x), float(inside.fun))
    return found


# --- block replacement --------------------------------------------------------------------------


def renewal_function(cdf: ArrayLike) -> NDArray[np.float64]:
    """How many failures one place sees by each date when every failed part is replaced at once.

    Parameters
    ----------
    cdf : (points,) share failed by 0, h, 2h, ... of a new part; the first is 0, evenly spaced.

    Returns
    -------
    (points,) M(t) = F(t) + int M(t - u) dF(u), by the trapezoid rule; the error falls with h^2.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.linspace(0, 2, 2001)
    >>> round(float(renewal_function(1 - np.exp(-0.5 * time))[-1]), 5)
    1.0
    """
    failed = np.array(cdf, dtype=np.float64)
    if failed.ndim != 1 or failed.size < 2 or not np.isfinite(failed).all():
        raise InputError("cdf must be a row of at least two numbers.", do="correct cdf.")
    if abs(failed[0]) > RARE or (np.diff(failed) < -1e-12).any() or failed[-1] > 1 + 1e-12:
        raise InputError("cdf must start at 0, never fall and end at most at 1.", do="correct cdf.")
    share = np.diff(failed)
    result = np.zeros(failed.size)
    middle = np.zeros(failed.size)  # (M_j + M_{j+1}) / 2
    for point in range(1, failed.size):
        # share[k] meets the mean of M at point-k-1 and point-k
        sum_ = failed[point] + share[0] * result[point - 1] / 2
        if point > 1:
            sum_ += share[1:point] @ middle[: point - 1][::-1]
        result[point] = sum_ / (1 - share[0] / 2)
        middle[point - 1] = (result[point - 1] + result[point]) / 2
    return result


def block_replacement(
    time: ArrayLike, *, cdf: ArrayLike, planned_cost: float, failure_cost: float
) -> ReplacementPolicy:
    """How often to replace all parts of a kind on a fixed date, failed ones in between.

    Parameters
    ----------
    time : (points,) evenly spaced from 0.
    cdf : (points,) share of new parts failed by then.
    planned_cost, failure_cost : money for a replacement on the date, and for one at a failure.

    Returns
    -------
    The optimum of (c_p + c_f M(T)) / T over the times; never when the last time is the cheapest or
    when running to failure is cheaper.
    """
    planned, failed = _costs(planned_cost, failure_cost)
    when = np.array(time, dtype=np.float64)
    share = np.array(cdf, dtype=np.float64)
    if when.shape != share.shape or when.size < 5 or abs(when[0]) > 0:
        raise InputError("time must start at 0 and be as long as cdf.", do="correct time.")
    spacing = np.diff(when)
    if not np.allclose(spacing, spacing[0], rtol=1e-6) or spacing[0] <= 0:
        raise InputError("time must be evenly spaced and rising.", do="use an even grid.")
    renewals = renewal_function(share)
    rate = (planned + failed * renewals[1:]) / when[1:]
    best = int(np.argmin(rate))
    mean = float(np.sum((1 - share[:-1] + 1 - share[1:]) / 2) * spacing[0])
    never = failed / mean if share[-1] >= 1 - RARE else None
    interval, cost = float(when[best + 1]), float(rate[best])
    end = never if never is not None else float(rate[-1])
    if best == rate.size - 1 or cost >= end * (1 - FLAT):
        return ReplacementPolicy(interval=None, cost_rate=end, cost_rate_never=never)
    if best > 0:  # the parabola through the three lowest points
        low, mid, high = rate[best - 1 : best + 2]
        shift = (low - high) / (2 * (low - 2 * mid + high)) if low - 2 * mid + high > 0 else 0.0
        interval += float(shift * spacing[0])
        cost = float(mid - (low - high) * shift / 4)
    return ReplacementPolicy(interval=interval, cost_rate=cost, cost_rate_never=never)


# --- checks -------------------------------------------------------------------------------------


def _amount(value: float, name: str) -> float:
    if not (np.isfinite(value) and value >= 0):
        raise InputError(f"{name} must be at least 0, but is {value}.", do=f"correct {name}.")
    return float(value)


def _costs(planned_cost: float, failure_cost: float) -> tuple[float, float]:
    return _amount(planned_cost, "planned_cost"), _amount(failure_cost, "failure_cost")


def _weibull(shape: float, scale: float) -> None:
    if not (np.isfinite([shape, scale]).all() and shape > 0 and scale > 0):
        raise InputError(
            f"shape and scale must be above 0, but are {shape} and {scale}.", do="correct them."
        )


def _curve(age: ArrayLike, survival: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    when, alive = np.array(age, dtype=np.float64), np.array(survival, dtype=np.float64)
    if when.ndim != 1 or when.shape != alive.shape or not when.size:
        raise InputError("age and survival must be rows of equal length.", do="correct them.")
    if when[0] > 0:
        when, alive = np.concatenate([[0.0], when]), np.concatenate([[1.0], alive])
    rising = when.size > 1 and (np.diff(when) > 0).all() and when[0] == 0
    falling = (np.diff(alive) <= 1e-12).all() and alive[0] <= 1 + 1e-12 and alive[-1] >= -1e-12
    if not (rising and falling and np.isfinite(when).all()):
        raise InputError(
            "age must rise from 0 and survival must never rise and stay between 0 and 1.",
            do="sort the curve by age.",
        )
    return when, alive
