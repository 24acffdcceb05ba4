"""How many failures the usual wear would have brought, and how sure that figure is itself.

Pure functions on arrays: the background is a cumulative hazard by age (first-fitted lives), the
windows are the ages over which parts were watched after a repair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.curves import HazardCurve

__all__ = ["Expected", "expected_failures"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Failures that the background predicts.

    Attributes
    ----------
    failures : the sum over all windows. variance : of that sum, from the background's own counts.
    covered : share of the watched days that lie at ages the background was watched at.
    days : watched, all windows together.
    """

    failures: float
    variance: float
    covered: float
    days: float = 1.0

    def __add__(self, other: Expected) -> Expected:
        return combine([self, other])


def combine(parts: Sequence[Expected]) -> Expected:
    """Failures of several parts or families together; covered is of all their days."""
    days = sum(one.days for one in parts)
    return Expected(
        failures=sum(one.failures for one in parts),
        variance=sum(one.variance for one in parts),
        covered=sum(one.covered * one.days for one in parts) / days if days else 1.0,
        days=days,
    )


def expected_failures(curve: HazardCurve | None, *, begin: ArrayLike, end: ArrayLike) -> Expected:
    """How many of these parts would have failed at the background's rate?

    Parameters
    ----------
    curve : Nelson-Aalen of the background; None where it has no lives.
    begin, end : (jobs,) ages in days between which each part was watched.

    Returns
    -------
    Expected : the sum of H(end) - H(begin), H flat beyond the last age the background was watched
    at (too few there: see `covered`).

    Notes
    -----
    The variance is that of a Nelson-Aalen sum in which age t counts as often as windows cover it:
    the sum over t of c(t)**2 d(t) / n(t)**2.

    Examples
    --------
    >>> from failstats.counts.risk_table import RiskTable
    >>> from failstats.estimate.curves import nelson_aalen
    >>> table = RiskTable.from_lives(0, [100, 200, 200, 200], [True, True, False, False])
    >>> curve = nelson_aalen(table)
    >>> round(expected_failures(curve, begin=[0, 150], end=[100, 200]).failures, 4)
    0.5833
    """
    low, high = np.asarray(begin, dtype=float), np.asarray(end, dtype=float)
    if low.shape != high.shape or (high < low).any() or (low < 0).any():
        raise InputError("windows must run from an age of 0 or more to one no smaller.")
    days = float((high - low).sum())
    if curve is None or not len(curve.age):
        return Expected(failures=0.0, variance=0.0, covered=0.0 if days else 1.0, days=days)
    hazard = np.diff(np.concatenate([[0.0], curve.cumulative_hazard]))
    spread = np.diff(np.concatenate([[0.0], curve.variance]))
    first = np.searchsorted(np.sort(low), curve.age, side="left")  # windows begun before the age
    over = np.searchsorted(np.sort(high), curve.age, side="left")  # windows ended before it
    count = (first - over).astype(float)
    seen_from, seen_to = curve.conditioned_on, curve.followed_to
    inside = np.clip(high, seen_from, seen_to) - np.clip(low, seen_from, seen_to)
    return Expected(
        failures=float(count @ hazard),
        variance=float(count**2 @ spread),
        covered=float(inside.sum() / days) if days else 1.0,
        days=days,
    )
