"""Does a share rise or fall over time? A test for trend in shares, and where a part breaks.

Pure functions on counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile

__all__ = ["ShareTrend", "share_trend", "uniform_p_value"]

#: Below this many failures per site the chi-square law is crude and the sum over all ways to
#: spread the failures is drawn instead (common practice: 5 expected per cell).
LEAST_EXPECTED = 5.0
DRAWS = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareTrend:
    """A share over time.

    slope : change of the share per unit of time (weighted line). std_error : of it, under the
    weighted line. statistic, p_value : of the Cochran-Armitage test (chi-square, one degree).
    """

    slope: float
    std_error: float
    statistic: float
    p_value: float

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float]:
        """(low, high) of the slope."""
        reach = normal_quantile(confidence_level) * self.std_error
        return self.slope - reach, self.slope + reach


def share_trend(count: ArrayLike, *, of: ArrayLike, time: ArrayLike) -> ShareTrend:
    """Does a part take a growing share of the calls?

    Parameters
    ----------
    count : (k,) calls with the part, in each period. of : (k,) all calls. time : (k,) when.

    Returns
    -------
    ShareTrend : NaN where no period or no time differs, or where the share is 0 or 1 throughout.

    References
    ----------
    Cochran (1954) Biometrics 10:417; Armitage (1955) Biometrics 11:375 (from memory).

    Examples
    --------
    >>> found = share_trend([83, 90, 129, 70], of=[86, 93, 136, 82], time=[1, 2, 3, 4])
    >>> round(found.statistic, 4), round(found.p_value, 6)
    (8.2249, 0.004132)
    """
    x, n, t = (np.asarray(value, dtype=float) for value in (count, of, time))
    if not x.shape == n.shape == t.shape or x.ndim != 1:
        raise InputError("count, of and time must be equally long.")
    if ((x < 0) | (x > n)).any():
        raise InputError("count must lie between 0 and the calls of its period.")
    total = n.sum()
    nothing = ShareTrend(
        slope=float("nan"), std_error=float("nan"), statistic=float("nan"), p_value=float("nan")
    )
    if total <= 0:
        return nothing
    share = x.sum() / total
    away = t - (n @ t) / total
    spread = float(n @ away**2)
    if spread <= 0 or not 0 < share < 1:
        return nothing
    slope = float(away @ x) / spread
    statistic = slope**2 * spread / (share * (1 - share))
    return ShareTrend(
        slope=slope,
        std_error=float(np.sqrt(share * (1 - share) / spread)),
        statistic=float(statistic),
        p_value=float(stats.chi2.sf(statistic, 1)),
    )


def uniform_p_value(count: ArrayLike, *, seed: int = 0) -> float | None:
    """Could the part break anywhere alike?

    Parameters
    ----------
    count : (sites,) failures at each site that was ever named. seed : of the draws where counts
        are small.

    Returns
    -------
    p-value of the chi-square statistic against equal shares: from its law, or drawn where fewer
    than 5 are expected per site; None with fewer than two sites or no failure.

    Examples
    --------
    >>> round(uniform_p_value([10, 20, 30]), 6)
    0.006738
    """
    seen = np.asarray(count, dtype=float)
    if seen.size < 2 or seen.sum() <= 0:
        return None
    expected = seen.sum() / seen.size
    statistic = float(((seen - expected) ** 2).sum() / expected)
    if expected >= LEAST_EXPECTED:
        return float(stats.chi2.sf(statistic, seen.size - 1))
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(int(seen.sum()), np.full(seen.size, 1 / seen.size), size=DRAWS)
    extreme = ((drawn - expected) ** 2).sum(axis=1) / expected >= statistic - 1e-9
    return float((extreme.sum() + 1) / (DRAWS + 1))
