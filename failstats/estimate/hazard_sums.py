"""Sums over the parts at risk when a part fails: the arithmetic under the hazard model.

Everything is held by *event cell*: one (stratum, age) with at least one failure. For each, the
number at risk and the number failed by covariate pattern are matrices, so that every sum over a
risk set is a matrix product. Pure functions; nothing here knows about coefficients' names.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError

__all__ = [
    "EventCells",
    "Moments",
    "RiskSets",
    "TieWeights",
    "moments",
    "risk_sets",
    "tie_weights",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Strata with fewer (event ages x patterns) than this are kept together in one sparse matrix.
SMALL_STRATUM = 20_000
# Up to here at-risk counts are kept as float64 (480 MB); above, as int32 turned over in chunks.
FLOAT_CELLS = 60_000_000
MOST_CELLS = 1_000_000_000
CHUNK_CELLS = 8_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EventCells:
    """The (stratum, age) cells with failures, sorted by stratum, then age; shape (events,)."""

    stratum: IntArray
    age: IntArray
    deaths: IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiskSets:
    """Who was at risk and who failed, by event cell and pattern.

    ``dense`` holds, per large stratum, (rows, patterns, matrix); ``loose`` the small strata as one
    sparse (events, patterns) matrix; ``failed`` is sparse (events, patterns).
    """

    cells: EventCells
    pattern_count: int
    dense: tuple[tuple[slice, IntArray, NDArray], ...]
    loose: sparse.csr_array
    failed: sparse.csr_array
    entered: FloatArray  # episodes by pattern, for centring

    @property
    def events(self) -> int:
        """Number of event cells."""
        return self.cells.age.size

    def over_risk(self, values: FloatArray) -> FloatArray:
        """Sum of ``values`` (patterns, k) over the parts at risk in each cell: (events, k)."""
        total = np.asarray(self.loose @ values)
        for rows, patterns, matrix in self.dense:
            local = values[patterns]
            if matrix.dtype == np.float64:
                total[rows] = matrix @ local
                continue
            step = max(1, CHUNK_CELLS // matrix.shape[1])
            for first in range(0, matrix.shape[0], step):
                part = matrix[first : first + step].astype(np.float64)
                total[rows.start + first : rows.start + first + part.shape[0]] = part @ local
        return total

    def over_events(self, weights: FloatArray) -> FloatArray:
        """Sum over cells of ``weights`` (events, k) times the number at risk: (patterns, k)."""
        total = np.asarray(self.loose.T @ weights)
        for rows, patterns, matrix in self.dense:
            local = weights[rows]
            if matrix.dtype == np.float64:
                total[patterns] += matrix.T @ local
                continue
            step = max(1, CHUNK_CELLS // matrix.shape[1])
            for first in range(0, matrix.shape[0], step):
                part = matrix[first : first + step].astype(np.float64)
                total[patterns] += part.T @ local[first : first + step]
        return total


def risk_sets(table: PatternTable, *, pattern_count: int) -> RiskSets:
    """Lay the counts out as risk sets: at risk at t is start < t <= stop.

    Parameters
    ----------
    table : the counts.
    pattern_count : number of patterns, at least the table's.

    Returns
    -------
    RiskSets. Strata without a failure carry no information and are left out.

    Raises
    ------
    FitError : there is no failure, or more cells than memory should hold.
    """
    hit = table.failed > 0
    if not hit.any():
        raise FitError("a hazard model needs at least one failure, but the table has none.")
    span = int(table.age.max()) + 2
    pair_key = table.stratum[hit] * span + table.age[hit] + 1
    event_key, row = np.unique(pair_key, return_inverse=True)
    cells = EventCells(
        stratum=event_key // span,
        age=event_key % span - 1,
        deaths=np.bincount(row, weights=table.failed[hit]).round().astype(np.int64),
    )
    failed = sparse.csr_array(
        (table.failed[hit].astype(np.float64), (row, table.pattern[hit])),
        shape=(event_key.size, pattern_count),
    )
    entered = np.bincount(table.pattern, weights=table.entered, minlength=pattern_count)

    # A life entering at a is at risk from the first event age above a (at age 0: from 0 on);
    # one gone at a is at risk up to and with a.
    enter_after = np.where(table.age == 0, 0, table.age + 1)
    enters_at = np.searchsorted(event_key, table.stratum * span + enter_after, side="right")
    leaves_at = np.searchsorted(event_key, table.stratum * span + table.age + 1, side="right")
    gone = table.failed + table.left

    strata, first_event, event_count = np.unique(
        cells.stratum, return_index=True, return_counts=True
    )
    kept = np.isin(table.stratum, strata)
    group_key = table.stratum * pattern_count + table.pattern
    groups = np.unique(group_key[kept])
    group_stratum = np.searchsorted(strata, groups // pattern_count)
    patterns_in = np.bincount(group_stratum, minlength=strata.size)
    size = event_count * patterns_in
    large = size >= SMALL_STRATUM
    if int(size.sum()) > MOST_CELLS:
        raise FitError(
            f"the risk sets must fit in memory, but have {int(size.sum()):,} cells "
            "(event ages x patterns, summed over strata).",
            do="use fewer covariate levels or coarser bins.",
        )
    as_float = int(size[large].sum()) <= FLOAT_CELLS

    dense = []
    begin = np.searchsorted(table.stratum, strata, side="left")
    end = np.searchsorted(table.stratum, strata, side="right")
    for index in np.flatnonzero(large):
        here = slice(begin[index], end[index])
        patterns, column = np.unique(table.pattern[here], return_inverse=True)
        base, count, width = first_event[index], event_count[index], patterns.size
        flat = np.zeros((count + 1) * width)
        for place, number, sign in (
            (enters_at[here], table.entered[here], 1),
            (leaves_at[here], gone[here], -1),
        ):
            flat += sign * np.bincount(
                (place - base) * width + column, weights=number, minlength=flat.size
            )
        matrix = np.cumsum(flat.reshape(count + 1, width), axis=0)[:-1]
        if not as_float:
            matrix = matrix.astype(np.int32)
        dense.append((slice(int(base), int(base + count)), patterns, np.ascontiguousarray(matrix)))

    loose = _loose_matrix(
        groups[~large[group_stratum]],
        group_stratum[~large[group_stratum]],
        first_event,
        event_count,
        pattern_count,
        (event_key.size, pattern_count),
        group_key,
        kept & ~np.isin(table.stratum, strata[large]),
        ((enters_at, table.entered, 1), (leaves_at, gone, -1)),
    )
    return RiskSets(
        cells=cells,
        pattern_count=pattern_count,
        dense=tuple(dense),
        loose=loose,
        failed=failed,
        entered=entered,
    )


def _loose_matrix(
    groups: IntArray,
    group_stratum: IntArray,
    first_event: IntArray,
    event_count: IntArray,
    pattern_count: int,
    shape: tuple[int, int],
    group_key: IntArray,
    kept: NDArray[np.bool_],
    moves: tuple[tuple[IntArray, IntArray, int], ...],
) -> sparse.csr_array:
    """At-risk counts of all small strata in one sparse (events, patterns) matrix."""
    if not groups.size:
        return sparse.csr_array(shape, dtype=np.float64)
    slots = event_count[group_stratum] + 1
    base = np.concatenate([[0], np.cumsum(slots)])
    flat = np.zeros(base[-1])
    group = np.searchsorted(groups, group_key[kept])
    offset = base[group] - first_event[group_stratum[group]]
    for place, number, sign in moves:
        flat += sign * np.bincount(offset + place[kept], weights=number[kept], minlength=flat.size)
    flat = np.cumsum(flat)  # every group sums to zero, so each starts afresh
    filled = np.flatnonzero(flat)
    owner = np.searchsorted(base, filled, side="right") - 1
    rows = filled - base[owner] + first_event[group_stratum[owner]]
    return sparse.csr_array((flat[filled], (rows, groups[owner] % pattern_count)), shape=shape)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TieWeights:
    """Sums over the steps of each event cell; shape (events,).

    With phi_j = at-risk sum - f_j * failed sum, f_j = j / deaths (Efron) or 0 (Breslow):
    ``a`` = sum 1/phi, ``b`` = sum f/phi, ``a2`` = sum 1/phi^2, ``b2`` = sum f/phi^2,
    ``c2`` = sum f^2/phi^2, ``log`` = sum log phi.
    """

    a: FloatArray
    b: FloatArray
    a2: FloatArray
    b2: FloatArray
    c2: FloatArray
    log: FloatArray


def _by_steps(
    deaths: IntArray, at_risk: FloatArray, failed: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Tied cells unrolled into steps: (cell of step, fraction, phi, where each cell begins)."""
    tied = np.flatnonzero(deaths > 1)
    counts = deaths[tied]
    begins = np.cumsum(counts) - counts
    cell = np.repeat(tied, counts)
    step = np.arange(cell.size) - np.repeat(begins, counts)
    fraction = step / deaths[cell]
    return tied, fraction, at_risk[cell] - fraction * failed[cell], begins


def tie_weights(
    deaths: IntArray, at_risk: FloatArray, failed: FloatArray, *, ties: str
) -> TieWeights:
    """Step sums for tied failures: Efron unrolls the d failures of a day, Breslow does not.

    Parameters
    ----------
    deaths : failures per cell. at_risk, failed : summed relative hazards of the parts at risk
        and of those that failed, per cell.
    ties : "efron" or "breslow".

    Returns
    -------
    TieWeights.
    """
    zero = np.zeros_like(at_risk)
    if ties == "breslow":
        return TieWeights(
            a=deaths / at_risk,
            b=zero,
            a2=deaths / at_risk**2,
            b2=zero,
            c2=zero,
            log=deaths * np.log(at_risk),
        )
    a, a2, log = 1.0 / at_risk, 1.0 / at_risk**2, np.log(at_risk)
    b, b2, c2 = zero.copy(), zero.copy(), zero.copy()
    tied, fraction, phi, begins = _by_steps(deaths, at_risk, failed)
    if tied.size:
        inverse = 1.0 / phi
        part = fraction * inverse
        a[tied] = np.add.reduceat(inverse, begins)
        b[tied] = np.add.reduceat(part, begins)
        a2[tied] = np.add.reduceat(inverse * inverse, begins)
        b2[tied] = np.add.reduceat(part * inverse, begins)
        c2[tied] = np.add.reduceat(part * part, begins)
        log[tied] = np.add.reduceat(np.log(phi), begins)
    return TieWeights(a=a, b=b, a2=a2, b2=b2, c2=c2, log=log)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moments:
    """Log-likelihood and its sums at one set of coefficients.

    Shapes: gradient (p,), information (p, p); s1 and s1_failed (events, p) are sums of covariate
    times relative hazard over the parts at risk and over those that failed.
    """

    log_likelihood: float
    gradient: FloatArray
    information: FloatArray
    relative_hazard: FloatArray
    s1: FloatArray
    s1_failed: FloatArray
    weights: TieWeights
    log_scale: float


def moments(
    risk: RiskSets,
    *,
    design: FloatArray,
    coefficients: FloatArray,
    offset: FloatArray,
    ties: str,
    cell_weight: FloatArray | None = None,
) -> Moments:
    """Log partial likelihood, gradient and information, from counts.

    Parameters
    ----------
    risk : the risk sets. design : (patterns, p), best centred. coefficients : (p,).
    offset : (patterns,), added to the log hazard. ties : "efron" or "breslow".
    cell_weight : (events,), multiplies each cell's share of gradient and information (not of the
        log-likelihood); used by the proportional-hazards test.

    Returns
    -------
    Moments. Relative hazards are scaled by exp(-log_scale) against overflow.

    Notes
    -----
    The sum of second moments over all cells needs no (events, p, p) array: it is one pass over
    patterns, weighted by each pattern's summed exposure.
    """
    linear = design @ coefficients + offset
    present = risk.entered > 0
    log_scale = float(linear[present].max()) if present.any() else 0.0
    with np.errstate(under="ignore"):
        hazard = np.where(present, np.exp(np.minimum(linear - log_scale, 0.0)), 0.0)
    columns = np.column_stack([hazard, hazard[:, None] * design])
    at_risk = risk.over_risk(columns)
    failed = np.asarray(risk.failed @ columns)
    deaths = risk.cells.deaths
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = tie_weights(deaths, at_risk[:, 0], failed[:, 0], ties=ties)
    s1, s1_failed = at_risk[:, 1:], failed[:, 1:]

    scale = np.ones(deaths.size) if cell_weight is None else cell_weight
    exposure = hazard * (
        risk.over_events((scale * weights.a)[:, None])[:, 0]
        - np.asarray(risk.failed.T @ (scale * weights.b))
    )
    observed = np.asarray(risk.failed.T @ scale)
    gradient = design.T @ (observed - exposure)
    second = design.T @ (exposure[:, None] * design)
    cross = s1.T @ ((scale * weights.b2)[:, None] * s1_failed)
    outer = (
        s1.T @ ((scale * weights.a2)[:, None] * s1)
        - cross
        - cross.T
        + s1_failed.T @ ((scale * weights.c2)[:, None] * s1_failed)
    )
    failed_total = np.asarray(risk.failed.sum(axis=0)).ravel()
    log_likelihood = float(
        failed_total @ np.where(present, linear - log_scale, 0.0) - weights.log.sum()
    )
    return Moments(
        log_likelihood=log_likelihood,
        gradient=gradient,
        information=second - outer,
        relative_hazard=hazard,
        s1=s1,
        s1_failed=s1_failed,
        weights=weights,
        log_scale=log_scale,
    )
