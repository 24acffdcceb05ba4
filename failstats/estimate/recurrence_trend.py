"""Do failures of repaired units come faster or slower with age? Trend tests, power-law growth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc, ndtr

from failstats.errors import FitError, InputError
from failstats.estimate.intervals import Interval, normal_quantile

__all__ = [
    "PowerLaw",
    "Trend",
    "TrendSums",
    "laplace_trend",
    "power_law_process",
    "power_law_trend",
    "reversal_trend",
    "trend_of_sums",
    "trend_sums",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trend:
    """A trend test.

    statistic : its value; see the test for what large and small mean.
    p_fewer : chance of a record at least so far towards fewer failures with age, without trend.
    p_more : the same towards more failures with age.
    """

    statistic: float
    p_fewer: float
    p_more: float
    events: int

    @property
    def p_value(self) -> float:
        """Two-sided."""
        return min(1.0, 2 * min(self.p_fewer, self.p_more))


def _followed(
    event_age: Any, event_unit: Any, unit_entry: Any, unit_exit: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    ages = np.asarray(event_age, dtype=float)
    exits = np.atleast_1d(np.asarray(unit_exit, dtype=float))
    entries = np.broadcast_to(np.asarray(unit_entry, dtype=float), exits.shape)
    owner = np.zeros(ages.size, dtype=np.int64) if event_unit is None else np.asarray(event_unit)
    if event_unit is None and exits.size != 1:
        raise InputError("event_unit must say which unit each failure belongs to.")
    if owner.shape != ages.shape or (
        ages.size and not (0 <= owner.min() <= owner.max() < exits.size)
    ):
        raise InputError("event_unit must hold a row of unit_exit for each failure.")
    begin, end = entries[owner], exits[owner]
    wrong = np.flatnonzero(~((ages > begin) & (ages <= end)))
    if wrong.size:
        raise InputError(
            f"each failure must lie in (entry, exit] of its unit, but {wrong.size} do not.",
            where="rows " + ", ".join(map(str, wrong[:5])),
            rows=wrong.tolist(),
        )
    return ages, begin, end


def laplace_trend(
    event_age: Any,
    *,
    unit_exit: Any,
    unit_entry: Any = 0,
    event_unit: Any = None,
    counts: Any = None,
) -> Trend:
    """Test whether failures crowd towards the end (wear) or the start of the time followed.

    Parameters
    ----------
    event_age : shape (e,), ages at failure.
    unit_exit, unit_entry : shape (u,) or one number, ages between which units were followed.
    event_unit : shape (e,), the row of each failure's unit; not needed for one unit.
    counts : shape (u,), how many units alike each row stands for; 1 when absent.

    Returns
    -------
    Trend; statistic is a normal deviate, negative when failures become fewer.

    Notes
    -----
    Given how many failures a unit had, without trend they are uniform over (entry, exit].
    Following must not have been ended by a failure; of a unit known only because somebody
    called, leave out the first call. Reference: NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    return trend_of_sums(
        trend_sums(
            event_age,
            unit_exit=unit_exit,
            unit_entry=unit_entry,
            event_unit=event_unit,
            counts=counts,
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendSums:
    """What the Laplace test needs of the failures; those of separate sets of units add up.

    pull : the sum of (age at failure - middle of the time followed). squares : the sum of the
    squared lengths of that time. events : failures.
    """

    pull: float
    squares: float
    events: float

    def plus(self, other: TrendSums) -> TrendSums:
        """Sums of two separate sets of units."""
        return TrendSums(
            pull=self.pull + other.pull,
            squares=self.squares + other.squares,
            events=self.events + other.events,
        )


def trend_sums(
    event_age: Any,
    *,
    unit_exit: Any,
    unit_entry: Any = 0,
    event_unit: Any = None,
    counts: Any = None,
) -> TrendSums:
    """The sums of `laplace_trend`, with its parameters; zeros without a failure."""
    ages, begin, end = _followed(event_age, event_unit, unit_entry, unit_exit)
    alike = np.ones(ages.size)
    if counts is not None:
        each = np.atleast_1d(np.asarray(counts, dtype=float))
        if each.shape != np.atleast_1d(unit_exit).shape or not (each > 0).all():
            raise InputError("counts must be above 0, one for each unit.")
        alike = each[0 * ages.astype(int) if event_unit is None else np.asarray(event_unit)]
    return TrendSums(
        pull=float(alike @ (ages - (begin + end) / 2)),
        squares=float(alike @ (end - begin) ** 2),
        events=float(alike.sum()),
    )


def trend_of_sums(sums: TrendSums) -> Trend:
    """The test of `laplace_trend` from the sums of all failures.

    Raises
    ------
    FitError : there is no failure.
    """
    if not sums.events:
        raise FitError("a trend needs failures, but none were given.")
    deviate = sums.pull / float(np.sqrt(sums.squares / 12))
    return Trend(
        statistic=deviate,
        p_fewer=float(ndtr(deviate)),
        p_more=float(ndtr(-deviate)),
        events=int(np.rint(sums.events)),
    )


def power_law_trend(event_age: Any, *, unit_exit: Any, event_unit: Any = None) -> Trend:
    """Test for a trend as strong against one that follows a power of age, from birth on.

    Returns
    -------
    Trend; statistic is chi-square on 2 x failures degrees, large when failures become fewer.

    Notes
    -----
    Twice the sum of log(exit / age). Reference: NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    ages, _, end = _followed(event_age, event_unit, 0, unit_exit)
    if not ages.size:
        raise FitError("a trend needs failures, but none were given.")
    statistic = float(2 * np.log(end / ages).sum())
    fewer = float(chdtrc(2 * ages.size, statistic))
    return Trend(statistic=statistic, p_fewer=fewer, p_more=1 - fewer, events=ages.size)


def reversal_trend(event_age: Any) -> Trend:
    """Test for a trend by counting how often a later gap between failures is the longer one.

    Parameters
    ----------
    event_age : shape (e,), ages at failure of one unit, ascending.

    Returns
    -------
    Trend; statistic counts the pairs of gaps of which the later is longer. The chances are
    exact; equal gaps speak for no trend on either side.
    Reference: NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    ages = np.asarray(event_age, dtype=float)
    if ages.size < 2 or (np.diff(ages) < 0).any() or ages[0] < 0:
        raise InputError("event_age must hold two or more ages of one unit, ascending.")
    gap = np.diff(ages, prepend=0.0)
    later = np.triu(np.ones((gap.size, gap.size), dtype=bool), 1)
    count = float((gap[None, :] > gap[:, None])[later].sum())
    equal = float((gap[None, :] == gap[:, None])[later].sum())
    ways = np.ones(1)
    for size in range(2, gap.size + 1):  # shares of orders with each number of such pairs
        ways = np.convolve(ways, np.ones(size) / size)
    number = np.arange(ways.size)
    return Trend(
        statistic=count,
        p_fewer=float(ways[number >= count].sum()),
        p_more=float(ways[number <= count + equal].sum()),
        events=gap.size,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PowerLaw:
    """Failures of one repaired unit that grow with a power of its age: mean = a age ** b.

    a, b : with b corrected for bias; b below 1 when failures become fewer.
    b_maximum_likelihood : without the correction.
    mean_between : age per failure at the end of the record.
    """

    a: float
    b: float
    b_maximum_likelihood: float
    mean_between: float
    events: int
    followed_to: float

    @property
    def growth(self) -> float:
        """1 - b: how fast the time between failures grows."""
        return 1 - self.b

    def interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the age per failure at the end of the record.

        Large-sample limits of the NIST/SEMATECH e-Handbook, 8.4.5.2.
        """
        return Interval(*_growth_limits(self, confidence_level), "large sample")


def power_law_process(event_age: Any, *, unit_exit: float) -> PowerLaw:
    """Fit failures of one repaired unit that grow with a power of its age.

    Parameters
    ----------
    event_age : shape (e,), ages at failure; following ends at ``unit_exit``, not by a failure.

    Notes
    -----
    b = (failures - 1) / sum log(exit / age), a = failures / exit ** b.
    Reference: NIST/SEMATECH e-Handbook 8.4.5.2.
    """
    ages, _, end = _followed(event_age, None, 0, unit_exit)
    if ages.size < 3:
        raise FitError(f"a power law needs 3 failures or more, but {ages.size} were given.")
    total, r = float(np.log(end / ages).sum()), ages.size
    b, stop = (r - 1) / total, float(unit_exit)
    return PowerLaw(
        a=r / stop**b,
        b=b,
        b_maximum_likelihood=r / total,
        mean_between=stop / (r * b),
        events=r,
        followed_to=stop,
    )


def _growth_limits(fit: PowerLaw, confidence_level: float) -> tuple[float, float]:
    z, r = normal_quantile(confidence_level), fit.events
    least = r - z * np.sqrt(r / 2)
    most = r + z * z / 4 + np.sqrt(r * z * z / 2 + z**4 / 16)
    scale = fit.mean_between * r * (r - 1)
    return float(scale / most**2), float(scale / least**2) if least > 0 else float("inf")
