"""Two parts, four counts: odds ratios, exact tests and lift, many tables at a time.

A 2 x 2 table is [[both, first only], [second only, neither]]; arrays of tables have shape
(..., 2, 2) and every function works on all of them at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import gammaln, logsumexp

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile
from failstats.estimate.read_only import freeze

__all__ = [
    "SAME_PROBABILITY",
    "Ratio",
    "conditional_odds_ratio",
    "fisher_exact",
    "lift",
    "odds_ratio",
    "support",
    "tables_of",
]

FloatArray = NDArray[np.float64]
# Probabilities this close (relative) to the observed one count as equally likely: R's choice.
SAME_PROBABILITY = 1e-7
# Log odds ratios are solved for to this absolute accuracy.
ROOT = 1e-13
ALTERNATIVES = ("two-sided", "greater", "less")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratio:
    """A ratio per table with its interval; arrays of one shape, NaN where nothing can be said.

    ``method`` names how the interval was made.
    """

    estimate: FloatArray
    low: FloatArray
    high: FloatArray
    method: str

    def __post_init__(self) -> None:
        freeze(self)


def tables_of(tables: ArrayLike) -> FloatArray:
    """Check an array of 2 x 2 tables of counts; shape (..., 2, 2).

    Raises
    ------
    InputError : wrong shape, or a count is missing, negative or not whole.
    """
    array = np.asarray(tables, dtype=np.float64)
    if array.ndim < 2 or array.shape[-2:] != (2, 2):
        raise InputError(f"tables must have shape (..., 2, 2), but have {array.shape}.")
    if not (np.isfinite(array).all() and (array >= 0).all() and (array == np.floor(array)).all()):
        raise InputError("tables must hold whole numbers of 0 or more.")
    return array


def odds_ratio(tables: ArrayLike, *, confidence_level: float = 0.95) -> Ratio:
    """How much the odds that a second part failed rise when the first has.

    Parameters
    ----------
    tables : (..., 2, 2) counts.

    Returns
    -------
    Ratio, shape (...): the sample odds ratio with Woolf's interval. With a zero cell the estimate
    is 0 or infinite (NaN if both) and the interval NaN: use ``conditional_odds_ratio`` there.

    References
    ----------
    Woolf (1955) Annals of Human Genetics 19:251.

    Examples
    --------
    >>> r = odds_ratio([[8, 2], [4, 16]])
    >>> float(r.estimate), round(float(r.low), 3), round(float(r.high), 3)
    (16.0, 2.399, 106.731)
    """
    table = tables_of(tables)
    a, b, c, d = table[..., 0, 0], table[..., 0, 1], table[..., 1, 0], table[..., 1, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = (a * d) / (b * c)
        error = np.sqrt(1 / a + 1 / b + 1 / c + 1 / d)
        half = normal_quantile(confidence_level) * np.where(np.isfinite(error), error, np.nan)
        low, high = estimate * np.exp(-half), estimate * np.exp(half)
    whole = (table > 0).all(axis=(-2, -1))
    return Ratio(
        estimate=estimate,
        low=np.where(whole, low, np.nan),
        high=np.where(whole, high, np.nan),
        method="Woolf",
    )


def support(table: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Possible first cells given the margins, their log weights, and the place of the seen one."""
    a, b, c, d = table.ravel()
    row, other, column = a + b, c + d, a + c
    low, high = max(0.0, column - other), min(row, column)
    k = np.arange(low, high + 1)
    weight = -(
        gammaln(k + 1)
        + gammaln(row - k + 1)
        + gammaln(column - k + 1)
        + gammaln(other - column + k + 1)
    )
    return k, weight - logsumexp(weight), int(a - low)


def fisher_exact(
    tables: ArrayLike, *, alternative: str = "two-sided", mid_p: bool = False
) -> FloatArray:
    """Could two parts have failed together this often by chance alone?

    Parameters
    ----------
    tables : (..., 2, 2) counts. alternative : "two-sided", "greater" (together more often than
        by chance) or "less". mid_p : count only half of the observed table's probability.

    Returns
    -------
    p-values, shape (...).

    Notes
    -----
    Two-sided: all tables with the same margins that are no likelier than the observed one. With
    ``mid_p`` the two-sided value is twice the smaller one-sided mid-p (at most 1), which matches
    the mid-p interval of ``conditional_odds_ratio``.

    Examples
    --------
    >>> float(fisher_exact([[3, 1], [1, 3]], alternative="greater").round(6))
    0.242857
    """
    if alternative not in ALTERNATIVES:
        raise InputError(
            f"alternative must be one of {', '.join(ALTERNATIVES)}, but is {alternative!r}."
        )
    table = tables_of(tables)
    flat = table.reshape(-1, 4)
    result = np.empty(flat.shape[0])
    for index, one in enumerate(flat):
        _, log_weight, at = support(one)
        probability = np.exp(log_weight)
        half = 0.5 * probability[at] if mid_p else 0.0
        less, greater = probability[: at + 1].sum() - half, probability[at:].sum() - half
        if alternative == "less":
            value = less
        elif alternative == "greater":
            value = greater
        elif mid_p:
            value = 2 * min(less, greater)
        else:
            value = probability[probability <= probability[at] * (1 + SAME_PROBABILITY)].sum()
        result[index] = min(value, 1.0)
    return result.reshape(table.shape[:-2])


def _tilted(log_weight: FloatArray, k: FloatArray, log_ratio: float) -> FloatArray:
    """Probabilities of the first cell at a log odds ratio."""
    weight = log_weight + k * log_ratio
    return np.exp(weight - logsumexp(weight))


def _root(function: Any) -> float:
    """Root of an increasing function of the log odds ratio."""
    low, high = -1.0, 1.0
    while function(low) > 0:
        low *= 2
    while function(high) < 0:
        high *= 2
    return float(brentq(function, low, high, xtol=ROOT, rtol=1e-14))


def conditional_odds_ratio(
    tables: ArrayLike, *, confidence_level: float = 0.95, mid_p: bool = False
) -> Ratio:
    """The odds ratio with an interval that holds at any number of failures.

    Parameters
    ----------
    tables : (..., 2, 2) counts. mid_p : count half of the observed table's probability in each
        tail (shorter, no longer guaranteed).

    Returns
    -------
    Ratio, shape (...): conditional maximum likelihood with the exact central interval; NaN where
    a margin is zero, an open side at 0 or infinity.

    References
    ----------
    Cornfield (1956), third Berkeley Symposium 4:135; Fisher (1962) Australian J. Statistics 4:41.

    Examples
    --------
    >>> r = conditional_odds_ratio([[3, 1], [1, 3]])
    >>> round(float(r.estimate), 5)
    6.40832
    """
    tail = 0.5 * (1 - _checked(confidence_level))
    table = tables_of(tables)
    flat = table.reshape(-1, 4)
    result = np.full((flat.shape[0], 3), np.nan)
    share = 0.5 if mid_p else 1.0
    for index, one in enumerate(flat):
        k, log_weight, at = support(one)
        if k.size == 1:
            continue

        def mean(x: float, k: Any = k, w: Any = log_weight, at: Any = at) -> float:
            return float(_tilted(w, k, x) @ k - k[at])

        def upper(
            x: float, k: Any = k, w: Any = log_weight, at: Any = at
        ) -> float:  # P(first cell >= seen)
            p = _tilted(w, k, x)
            return float(p[at + 1 :].sum() + share * p[at] - tail)

        def lower(
            x: float, k: Any = k, w: Any = log_weight, at: Any = at
        ) -> float:  # P(first cell <= seen)
            p = _tilted(w, k, x)
            return float(tail - p[:at].sum() - share * p[at])

        first, last = at == 0, at == k.size - 1
        estimate = 0.0 if first else np.inf if last else np.exp(_root(mean))
        low = 0.0 if first else np.exp(_root(upper))
        high = np.inf if last else np.exp(_root(lower))
        result[index] = estimate, low, high
    result = result.reshape(*table.shape[:-2], 3)
    return Ratio(
        estimate=result[..., 0],
        low=result[..., 1],
        high=result[..., 2],
        method="mid-p" if mid_p else "exact",
    )


def _checked(confidence_level: float) -> float:
    normal_quantile(confidence_level)
    return float(confidence_level)


def lift(tables: ArrayLike, *, confidence_level: float = 0.95) -> Ratio:
    """How many times more often two parts fail together than if they knew nothing of each other.

    Parameters
    ----------
    tables : (..., 2, 2) counts.

    Returns
    -------
    Ratio, shape (...): share(both) / (share(first) share(second)), interval on the log scale by
    the delta method for multinomial counts; NaN where nothing failed together.

    Notes
    -----
    Bounded by 1 / max(share(first), share(second)): not comparable between common and rare parts.

    Examples
    --------
    >>> float(lift([[10, 10], [20, 60]]).estimate.round(6))
    1.666667
    """
    table = tables_of(tables)
    total = table.sum(axis=(-2, -1))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = table / total[..., None, None]
        both = share[..., 0, 0]
        first, second = share[..., 0, :].sum(axis=-1), share[..., :, 0].sum(axis=-1)
        estimate = both / (first * second)
        slope = 1 / both - 1 / first - 1 / second
        variance = (
            both * slope**2 + share[..., 0, 1] / first**2 + share[..., 1, 0] / second**2 - 1.0
        ) / total
        half = normal_quantile(confidence_level) * np.sqrt(np.maximum(variance, 0.0))
        low, high = estimate * np.exp(-half), estimate * np.exp(half)
    seen = table[..., 0, 0] > 0
    return Ratio(
        estimate=estimate,
        low=np.where(seen, low, np.nan),
        high=np.where(seen, high, np.nan),
        method="delta",
    )
