"""Intervals from resampled counts: what the estimate would have been with other units.

Percentile intervals: the estimate is made anew on the counts of every replicate, and the interval
leaves out the same share of them at either end. Where a replicate cannot tell (nobody of it was
followed so far) it is left out, and how many could tell stands beside the interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.hazard_robust import ClusterRobust

__all__ = ["ReplicatedCurve", "cox_replicates", "percentile_interval", "replicated_curve"]

FloatArray = NDArray[np.float64]
CLUSTERS_AT_ONCE = 20_000  # times 500 replicates, 80 MB of weights at a time


def percentile_interval(
    values: ArrayLike, *, confidence_level: float = 0.95
) -> tuple[float, float]:
    """The middle part of the replicates; NaN where none could tell.

    Parameters
    ----------
    values : (replicates,), NaN where a replicate could not tell; infinite is a value.

    >>> percentile_interval(range(101), confidence_level=0.9)
    (5.0, 95.0)
    """
    known = np.asarray(values, dtype=float)
    known = np.sort(known[~np.isnan(known)])
    if not known.size:
        return float("nan"), float("nan")
    tail = (1 - confidence_level) / 2
    # order statistics, not means of two: a mean with an infinite age would be infinite
    low = int(np.floor(tail * (known.size - 1) + 1e-9))
    return float(known[low]), float(known[known.size - 1 - low])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplicatedCurve:
    """A life curve at some ages in every replicate.

    Attributes
    ----------
    age : (n,) days, or loads. survival : (replicates, n), NaN where nobody was followed so far.
    median : (replicates,), infinite where fewer than half had failed.
    """

    age: FloatArray
    survival: FloatArray
    median: FloatArray

    def survival_interval(self, confidence_level: float = 0.95) -> FloatArray:
        """(n, 2) percentile intervals of the survival."""
        return np.array(
            [percentile_interval(c, confidence_level=confidence_level) for c in self.survival.T]
        ).reshape(-1, 2)

    def median_interval(self, confidence_level: float = 0.95) -> tuple[float, float]:
        """Percentile interval of the median life."""
        return percentile_interval(self.median, confidence_level=confidence_level)

    @property
    def known(self) -> NDArray[np.int64]:
        """(n,) in how many replicates somebody was followed to that age."""
        return (~np.isnan(self.survival)).sum(axis=0)


def replicated_curve(
    tables: Sequence[RiskTable], *, ages: ArrayLike, cause: str = "failed"
) -> ReplicatedCurve:
    """The Kaplan-Meier curve of every replicate, at some ages.

    Parameters
    ----------
    tables : the counts of each replicate, as of `failstats.counts.bootstrap`.
    ages : (n,) at which the survival is wanted.
    """
    asked = np.asarray(ages, dtype=float)
    survival, median = [], []
    for table in tables:
        curve = kaplan_meier(table, cause=cause)
        survival.append(curve.survival_at(asked))
        median.append(curve.median())
    return ReplicatedCurve(
        age=asked,
        survival=np.array(survival).reshape(len(tables), asked.size),
        median=np.array(median),
    )


def cox_replicates(robust: ClusterRobust, drawn: Any) -> FloatArray:
    """Log hazard ratios of every replicate, to first order, without fitting again.

    Parameters
    ----------
    robust : the fit's influence by unit or building, in the order of its `cluster`.
    drawn : (clusters, replicates) how often each was drawn (`failstats.counts.bootstrap.weights`),
        or a function of (first, last) that returns those rows, for very many clusters.

    Returns
    -------
    (replicates, p): coefficients + sum over clusters of (times drawn - 1) x influence. NaN for
    coefficients that cannot be estimated.

    Raises
    ------
    InputError : not one row of weights for each cluster.

    Notes
    -----
    The infinitesimal jackknife: Efron (1982), The Jackknife, the Bootstrap and Other Resampling
    Plans, section 6 (from memory). Exact as the weights approach 1; the tests compare it with true
    fits of the same weights.
    """
    shown = np.isfinite(robust.coefficients) & np.isfinite(robust.influence).all(axis=0)
    moves = robust.influence[:, shown]
    clusters = moves.shape[0]
    total: FloatArray | None = None
    for first in range(0, clusters, CLUSTERS_AT_ONCE):
        last = min(first + CLUSTERS_AT_ONCE, clusters)
        rows = np.asarray(drawn(first, last) if callable(drawn) else drawn[first:last])
        if rows.shape[0] != last - first or (not callable(drawn) and len(drawn) != clusters):
            raise InputError(
                f"there must be one row of weights for each of {clusters} clusters, but rows "
                f"{first} to {last} are {rows.shape[0]}.",
                do="draw weights for `cluster`, in its order.",
            )
        step = (rows - 1.0).T @ moves[first:last]
        total = step if total is None else total + step
    if total is None:
        raise InputError("replicates need a unit at least, but there is none.")
    out = np.full((total.shape[0], robust.coefficients.size), np.nan)
    out[:, shown] = robust.coefficients[shown] + total
    return out
