"""How sure the hazard ratios are when one unit's (or building's) parts fail alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from failstats.counts.pattern_table import whole_numbers
from failstats.errors import FitError, InputError
from failstats.estimate.hazard_baseline import running_sum
from failstats.estimate.hazard_fit import CoxFit
from failstats.estimate.hazard_stream import streamed_scores
from failstats.estimate.log_ratios import LogRatios
from failstats.estimate.read_only import frozen

__all__ = [
    "ClusterRobust",
    "cluster_robust",
    "cluster_robust_stream",
    "martingale_residuals",
    "score_residuals",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ROWS_AT_ONCE = 100_000  # each holds its covariates several times over meanwhile
# (stratum, age) look-ups are a dense array up to here, else binary searches.
DENSE_LOOKUP = 40_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClusterRobust(LogRatios):
    """Sandwich covariance of the log hazard ratios, by unit or building.

    ``covariance`` (p, p), NaN for coefficients that are not estimable. ``cluster`` (clusters,) the
    labels, ``influence`` (clusters, p): how far leaving a cluster out moves each coefficient
    (first order, sign reversed); its sum of squares is the covariance.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    cluster: NDArray[Any]
    influence: FloatArray

    @property
    def clusters(self) -> int:
        """Number of clusters, those without a failure included."""
        return self.influence.shape[0]


class _LookUp:
    """From (stratum, age) to sums over the event cells up to and with that age."""

    def __init__(self, fit: CoxFit, strata: int, ages: int) -> None:
        events = fit.events
        self.span = ages + 2
        self.keys = events.stratum * self.span + events.age + 1
        self.strata = max(strata, int(events.stratum.max()) + 1)
        self.first = np.searchsorted(self.keys, np.arange(self.strata) * self.span)
        self.dense: IntArray | None = None
        if self.strata * self.span <= DENSE_LOOKUP:
            count = np.bincount(self.keys, minlength=self.strata * self.span)
            self.dense = np.cumsum(count).astype(np.int32)
        columns = np.column_stack([events.hazard, events.hazard_mean])
        running = running_sum(columns, events.stratum)
        self.sums = np.vstack([np.zeros(columns.shape[1]), running])

    def place(self, stratum: IntArray, age: IntArray) -> IntArray:
        """Number of event cells up to (stratum, age), over all earlier strata too."""
        key = stratum * self.span + age + 1
        if self.dense is not None:
            return self.dense[key]
        return np.searchsorted(self.keys, key, side="right")

    def upto(self, stratum: IntArray, place: IntArray) -> FloatArray:
        """(rows, 1 + k) sums within the stratum up to a place."""
        return self.sums[np.where(place > self.first[stratum], place, 0)]


def _read_rows(
    fit: CoxFit,
    stratum: ArrayLike | None,
    pattern: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    failed: ArrayLike,
) -> tuple[IntArray, IntArray, IntArray, IntArray, IntArray]:
    """Check the rows against the fit; those with start = stop > 0 get no time and no event."""
    first, last = whole_numbers(start, "start"), whole_numbers(stop, "stop")
    event, kind = whole_numbers(failed, "failed"), whole_numbers(pattern, "pattern")
    group = np.zeros_like(first) if stratum is None else whole_numbers(stratum, "stratum")
    sizes = {column.size for column in (first, last, event, kind, group)}
    if len(sizes) != 1:
        raise InputError(f"all columns must be of one length, but have {sorted(sizes)} rows.")
    if (first > last).any():
        rows = np.flatnonzero(first > last)
        raise InputError(
            f"start must not be after stop, but {rows.size} of {first.size} rows break this.",
            where=f"rows {', '.join(map(str, rows[:5]))} (counted from 0)",
            rows=rows.tolist(),
        )
    if kind.size and int(kind.max()) >= fit.relative_hazard.size:
        raise InputError(
            f"pattern must be below {fit.relative_hazard.size}, but reaches {int(kind.max())}.",
            do="use the pattern codes of the table that was fitted.",
        )
    event = np.where((first == last) & (last > 0), 0, event)
    if int(event.sum()) != fit.failures:
        raise InputError(
            f"the rows must be the ones fitted, but hold {int(event.sum())} failures and the fit "
            f"{fit.failures}.",
            do="pass the same episodes that were counted.",
        )
    return group, kind, first, last, event


def _residuals(
    fit: CoxFit,
    look: _LookUp,
    centred: FloatArray,
    rows: tuple[IntArray, IntArray, IntArray, IntArray, IntArray],
) -> tuple[FloatArray, FloatArray]:
    """Martingale (rows,) and score residuals (rows, k) of one block of rows."""
    group, kind, first, last, event = rows
    events = fit.events
    end = look.place(group, last)
    # Entering at age 0 is entering before day 0.
    begin = look.place(group, np.where(first == 0, -1, first))
    spent = look.upto(group, end) - look.upto(group, begin)
    weight = np.where((first < last) | (last == 0), fit.relative_hazard[kind], 0.0)
    x = centred[kind]
    compensator = weight * spent[:, 0]
    score = -weight[:, None] * (x * spent[:, :1] - spent[:, 1:])
    at = np.flatnonzero(event)
    cell = end[at] - 1
    if ((events.stratum[cell] != group[at]) | (events.age[cell] != last[at])).any():
        raise InputError(
            "the rows must be the ones fitted, but some fail at an age without a fitted failure.",
            do="pass the same episodes, strata and patterns that were counted.",
        )
    dead = weight[at]
    martingale = event - compensator
    martingale[at] += dead * events.tied[cell]
    score[at] += (
        x[at]
        - events.mean[cell]
        + dead[:, None] * (x[at] * events.tied[cell][:, None] - events.tied_mean[cell])
    )
    return martingale, score


def _prepare(fit: CoxFit, group: IntArray, last: IntArray) -> tuple[_LookUp, FloatArray]:
    ages = int(max(last.max(initial=0), fit.events.age.max()))
    strata = int(group.max(initial=0)) + 1
    values = np.where(np.isfinite(fit.design.values), fit.design.values, 0.0)
    return _LookUp(fit, strata, ages), (values - fit.centre)[:, fit.kept]


def score_residuals(
    fit: CoxFit,
    *,
    pattern: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    failed: ArrayLike,
    stratum: ArrayLike | None = None,
) -> FloatArray:
    """What each episode contributes to the gradient of the hazard model.

    Parameters
    ----------
    fit : the hazard model. pattern, start, stop, failed, stratum : shape (rows,), the episodes
        that were counted, in any order.

    Returns
    -------
    (rows, p); columns of coefficients without contrast are NaN.

    Notes
    -----
    Efron ties are followed exactly: a part that failed that day is spared its share of the day.
    """
    rows = _read_rows(fit, stratum, pattern, start, stop, failed)
    look, centred = _prepare(fit, rows[0], rows[3])
    full = np.full((rows[0].size, len(fit.names)), np.nan)
    full[:, fit.kept] = _residuals(fit, look, centred, rows)[1]
    return full


def martingale_residuals(
    fit: CoxFit,
    *,
    pattern: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    failed: ArrayLike,
    stratum: ArrayLike | None = None,
) -> FloatArray:
    """Failures observed minus expected, per episode; arguments as in ``score_residuals``."""
    rows = _read_rows(fit, stratum, pattern, start, stop, failed)
    look, centred = _prepare(fit, rows[0], rows[3])
    return _residuals(fit, look, centred, rows)[0]


def _codes(cluster: ArrayLike, rows: int) -> tuple[NDArray[Any], IntArray]:
    """Labels and codes of the clusters; small whole numbers need no sorting."""
    labels = np.asarray(cluster)
    if labels.shape != (rows,):
        raise InputError(f"cluster must have {rows} rows, but has shape {labels.shape}.")
    if np.issubdtype(labels.dtype, np.integer) and rows:
        low, high = int(labels.min()), int(labels.max())
        if high - low <= 4 * rows:
            seen = np.zeros(high - low + 1, dtype=np.int64)
            seen[labels - low] = 1
            return np.flatnonzero(seen) + low, (np.cumsum(seen) - 1)[labels - low]
    if labels.dtype == object and pd.isna(labels).any():
        raise InputError("cluster must be given on every row, but is missing on some.")
    unique, codes = np.unique(labels, return_inverse=True)
    return unique, codes


def cluster_robust(
    fit: CoxFit,
    *,
    cluster: ArrayLike,
    pattern: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    failed: ArrayLike,
    stratum: ArrayLike | None = None,
) -> ClusterRobust:
    """Honest intervals when lives of one unit or building are alike.

    Parameters
    ----------
    fit : the hazard model. cluster : (rows,), unit or building. pattern, start, stop, failed,
        stratum : (rows,), the same episodes that were counted, in any order.

    Returns
    -------
    ClusterRobust.

    Raises
    ------
    InputError : the rows are not the ones fitted. FitError : nothing is estimable.

    Notes
    -----
    Score residuals are summed over each cluster *before* they are squared; no small-sample
    factor. One pass over the rows.

    References
    ----------
    Lin and Wei (1989) JASA 84:1074; Lee, Wei and Amato (1992) in Survival Analysis: State of the
    Art, p. 237 (page from memory).

    Examples
    --------
    >>> from failstats.counts.pattern_table import PatternTable
    >>> from failstats.estimate.hazard_fit import cox
    >>> lives = dict(start=[0] * 6, stop=[1, 1, 6, 6, 8, 9], failed=[1, 0, 1, 1, 0, 1],
    ...              pattern=[1, 1, 1, 0, 0, 0])
    >>> fit = cox(PatternTable.from_episodes(**lives), design=[[0.0], [1.0]])
    >>> cluster_robust(fit, cluster=[1, 1, 2, 2, 3, 3], **lives).clusters
    3
    """
    _estimable(fit)
    rows = _read_rows(fit, stratum, pattern, start, stop, failed)
    labels, code = _codes(cluster, rows[0].size)
    look, centred = _prepare(fit, rows[0], rows[3])
    width = fit.kept.size
    total = np.zeros((labels.size, width))
    for first in range(0, rows[0].size, ROWS_AT_ONCE):
        start_, stop_ = first, first + ROWS_AT_ONCE
        part: Any = tuple(column[start_:stop_] for column in rows)
        score = _residuals(fit, look, centred, part)[1]
        here = code[first : first + ROWS_AT_ONCE]
        for column in range(width):
            total[:, column] += np.bincount(here, weights=score[:, column], minlength=labels.size)
    return _sandwich(fit, labels, total)


def cluster_robust_stream(
    fit: CoxFit, batches: Iterable[Mapping[str, NDArray[Any]]]
) -> ClusterRobust:
    """The same from rows that stream by, at any number of rows and in little memory.

    Parameters
    ----------
    fit : the hazard model. batches : mappings with the columns cluster (codes counted from 0),
        stratum, pattern, start, stop, failed; see ``streamed_scores``.

    Returns
    -------
    ClusterRobust, to rounding that of ``cluster_robust``.

    Raises
    ------
    InputError : the rows are not the ones fitted. FitError : nothing is estimable.
    """
    _estimable(fit)
    labels, total = streamed_scores(fit, batches)
    return _sandwich(fit, labels, total)


def _estimable(fit: CoxFit) -> None:
    if not fit.estimable.any():
        raise FitError("robust intervals need a coefficient that can be estimated; none can.")


def _sandwich(fit: CoxFit, labels: NDArray[Any], total: FloatArray) -> ClusterRobust:
    """Influence of each cluster, and the covariance, from summed score residuals (clusters, k)."""
    moved = total @ fit.inner_covariance
    shown = fit.estimable[fit.kept]
    p = len(fit.names)
    influence = np.full((labels.size, p), np.nan)
    influence[:, fit.kept[shown]] = moved[:, shown]
    covariance = np.full((p, p), np.nan)
    covariance[np.ix_(fit.kept[shown], fit.kept[shown])] = moved[:, shown].T @ moved[:, shown]
    return ClusterRobust(
        names=fit.names,
        coefficients=fit.coefficients,
        covariance=frozen(covariance),
        cluster=frozen(labels, labels.dtype),
        influence=frozen(influence),
    )
