"""How sure one can be of a share, a count, a rate or a survival: the simple intervals.

Every function returns (low, high), as arrays when arrays are given.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from scipy.special import betaincinv, chdtri, gammaincinv, ndtri

from failstats.errors import InputError

__all__ = [
    "Interval",
    "byar",
    "clopper_pearson",
    "jeffreys",
    "mean_life_limits",
    "normal",
    "normal_quantile",
    "on_log_scale",
    "poisson_exact",
    "rate_exact",
    "standardised_ratio",
    "survival_interval",
    "wilson",
]


class Interval(tuple[float, float]):
    """A pair (low, high) that remembers how it was made.

    Examples
    --------
    >>> low, high = Interval(1.0, 2.0, "profile likelihood")
    >>> (low, high), Interval(1.0, 2.0, "normal").method
    ((1.0, 2.0), 'normal')
    """

    method: str

    def __new__(cls, low: float, high: float, method: str = "") -> Self:
        pair = super().__new__(cls, (float(low), float(high)))
        pair.method = method
        return pair

    @property
    def low(self) -> float:
        """The lower end."""
        return self[0]

    @property
    def high(self) -> float:
        """The upper end."""
        return self[1]

    def __getnewargs__(self) -> tuple[float, float, str]:
        return (self[0], self[1], self.method)


def normal_quantile(confidence_level: float = 0.95) -> float:
    """How many standard errors an interval reaches to either side."""
    return float(ndtri(0.5 + _level(confidence_level) / 2))


def _level(confidence_level: float) -> float:
    if not 0 < confidence_level < 1:
        raise InputError(
            f"confidence_level must lie between 0 and 1, but {confidence_level} was given.",
            do="write 0.95 for 95 percent.",
        )
    return float(confidence_level)


def _tails(confidence_level: float) -> tuple[float, float]:
    level = _level(confidence_level)
    return (1 - level) / 2, (1 + level) / 2


def _share(count: Any, of: Any) -> tuple[np.ndarray, np.ndarray]:
    x, n = np.asarray(count, dtype=float), np.asarray(of, dtype=float)
    if not ((x >= 0) & (x <= n)).all():
        raise InputError("count must lie between 0 and the number it is out of.")
    both = np.broadcast_arrays(x, n)
    return both[0], both[1]


def _pair(low: Any, high: Any) -> tuple[Any, Any]:
    low, high = np.asarray(low), np.asarray(high)
    return (low.item(), high.item()) if low.ndim == 0 else (low, high)


def wilson(count: Any, *, of: Any, confidence_level: float = 0.95) -> tuple[Any, Any]:
    """Interval of a share by the score method; out of nothing it is (0, 1).

    Reference: Wilson (1927); Newcombe (1998), method 3.

    Examples
    --------
    >>> low, high = wilson(81, of=263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    x, n = _share(count, of)
    z = normal_quantile(confidence_level)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = z * np.sqrt(z * z + 4 * x * (1 - x / n))
        low = (2 * x + z * z - half) / (2 * (n + z * z))
        high = (2 * x + z * z + half) / (2 * (n + z * z))
    low = np.where((x == 0) | (n == 0), 0.0, low)
    high = np.where((x == n) | (n == 0), 1.0, high)
    return _pair(low, high)


def clopper_pearson(count: Any, *, of: Any, confidence_level: float = 0.95) -> tuple[Any, Any]:
    """Exact interval of a share: never covers less than it says, often more."""
    x, n = _share(count, of)
    below, above = _tails(confidence_level)
    with np.errstate(invalid="ignore"):
        low = np.where(x == 0, 0.0, betaincinv(np.maximum(x, 0.5), n - x + 1, below))
        high = np.where(x == n, 1.0, betaincinv(x + 1, np.maximum(n - x, 0.5), above))
    return _pair(low, high)


def jeffreys(count: Any, *, of: Any, confidence_level: float = 0.95) -> tuple[Any, Any]:
    """Interval of a share that covers as much as it says on average (beta, half a count each way).

    The lower end is 0 when nothing was counted and the upper 1 when everything was.
    Reference: Brown, Cai and DasGupta (2001), Statistical Science 16, 101.
    """
    x, n = _share(count, of)
    below, above = _tails(confidence_level)
    low = np.where(x == 0, 0.0, betaincinv(x + 0.5, n - x + 0.5, below))
    high = np.where(x == n, 1.0, betaincinv(x + 0.5, n - x + 0.5, above))
    return _pair(low, high)


def poisson_exact(count: Any, *, confidence_level: float = 0.95) -> tuple[Any, Any]:
    """Exact interval of the number of failures to expect where so many were seen.

    Reference: Ulm (1990), American Journal of Epidemiology 131, 373.

    Examples
    --------
    >>> low, high = poisson_exact(0)
    >>> low, round(high, 3)
    (0.0, 3.689)
    """
    x = np.asarray(count, dtype=float)
    if not (x >= 0).all():
        raise InputError("count must be 0 or more.")
    below, above = _tails(confidence_level)
    low = np.where(x == 0, 0.0, gammaincinv(np.maximum(x, 0.5), below))
    return _pair(low, gammaincinv(x + 1, above))


def byar(count: Any, *, confidence_level: float = 0.95) -> tuple[Any, Any]:
    """Nearly exact interval of a number of failures, by Byar's formula.

    Reference: Breslow and Day (1987), volume II, page 69 (page from memory).
    """
    x = np.asarray(count, dtype=float)
    if not (x >= 0).all():
        raise InputError("count must be 0 or more.")
    z = normal_quantile(confidence_level)
    with np.errstate(divide="ignore", invalid="ignore"):
        low = np.where(x == 0, 0.0, x * (1 - 1 / (9 * x) - z / (3 * np.sqrt(x))) ** 3)
    up = x + 1
    return _pair(low, up * (1 - 1 / (9 * up) + z / (3 * np.sqrt(up))) ** 3)


def rate_exact(
    count: float, *, exposure: float, confidence_level: float = 0.95
) -> tuple[float, float]:
    """Exact interval of failures per unit of time lived (per day, when exposure is in days)."""
    if not exposure > 0:
        raise InputError(f"exposure must be above 0, but {exposure} was given.")
    low, high = poisson_exact(count, confidence_level=confidence_level)
    return low / exposure, high / exposure


def mean_life_limits(
    failures: float,
    *,
    exposure: float,
    confidence_level: float = 0.95,
    ended_by: str = "time",
    sided: str = "both",
) -> tuple[float, float]:
    """Limits of the mean time between failures at a constant rate.

    Parameters
    ----------
    failures : how many were seen.
    exposure : total time lived under observation.
    ended_by : ``"time"`` when the record stops at a set time, ``"failure"`` when it stops at
        the last failure.
    sided : ``"both"``, or ``"lower"`` for a lower limit alone (the upper end is then infinite).

    Notes
    -----
    2 exposure / chi-square quantile; 2 failures + 2 degrees of freedom for the lower limit of a
    record ended by time. Reference: NIST/SEMATECH e-Handbook 8.4.5.1.
    """
    if ended_by not in ("time", "failure") or sided not in ("both", "lower"):
        raise InputError("ended_by must be time or failure, and sided both or lower.")
    if not exposure > 0 or failures < (0 if ended_by == "time" else 1):
        raise InputError("exposure must be above 0, and failures not negative.")
    level = _level(confidence_level)
    outside = (1 - level) / 2 if sided == "both" else 1 - level
    low = 2 * exposure / chdtri(2 * failures + (2 if ended_by == "time" else 0), outside)
    if sided == "lower" or failures == 0:
        return float(low), float("inf")
    return float(low), float(2 * exposure / chdtri(2 * failures, 1 - outside))


def standardised_ratio(
    observed: float, *, expected: float, confidence_level: float = 0.95
) -> tuple[float, float]:
    """Exact interval of observed over expected failures; expected is taken as known."""
    low, high = poisson_exact(observed, confidence_level=confidence_level)
    return low / expected, high / expected


def normal(estimate: Any, std_error: Any, *, confidence_level: float = 0.95) -> tuple[Any, Any]:
    """Estimate plus and minus standard errors."""
    half = normal_quantile(confidence_level) * np.asarray(std_error, dtype=float)
    return _pair(np.asarray(estimate) - half, np.asarray(estimate) + half)


def on_log_scale(
    estimate: Any, std_error: Any, *, confidence_level: float = 0.95
) -> tuple[Any, Any]:
    """Interval of something above 0, made on its logarithm; std_error is on the plain scale."""
    value = np.asarray(estimate, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = normal_quantile(confidence_level) * np.asarray(std_error, dtype=float) / value
        return _pair(value * np.exp(-spread), value * np.exp(spread))


def survival_interval(
    survival: Any,
    relative_variance: Any,
    *,
    confidence_level: float = 0.95,
    scale: str = "log_log",
) -> tuple[Any, Any]:
    """Interval of the share still working.

    Parameters
    ----------
    survival : the share still working.
    relative_variance : variance of its logarithm (Greenwood's sum).
    scale : ``"log_log"`` (default), ``"log"`` or ``"plain"``.

    Notes
    -----
    On the log-log scale nothing can be said where nothing has failed yet or nothing is left:
    the open side is NaN there, (NaN, 1) and (0, NaN).
    """
    s = np.asarray(survival, dtype=float)
    z = normal_quantile(confidence_level)
    with np.errstate(all="ignore"):
        spread = z * np.sqrt(np.asarray(relative_variance, dtype=float))
        if scale == "log_log":
            reach = spread / np.abs(np.log(s))
            low, high = s ** np.exp(reach), s ** np.exp(-reach)
            low = np.where(s >= 1, np.nan, np.where(s <= 0, 0.0, low))
            high = np.where(s >= 1, 1.0, np.where(s <= 0, np.nan, high))
        elif scale == "log":
            low, high = s * np.exp(-spread), np.minimum(1.0, s * np.exp(spread))
        elif scale == "plain":
            low, high = np.maximum(0.0, s - s * spread), np.minimum(1.0, s + s * spread)
        else:
            raise InputError(f"scale must be log_log, log or plain, but {scale} was given.")
    return _pair(low, high)
