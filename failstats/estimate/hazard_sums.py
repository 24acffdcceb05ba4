"""Sums over the parts at risk when a part fails: the arithmetic under the hazard model.

Everything is held by *event cell*: one (stratum, age) with at least one failure. For each, the
number at risk and the number failed by covariate pattern are matrices, so that every sum over a
risk set is a matrix product. Pure functions; nothing here knows about coefficients' names.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError
from failstats.estimate.hazard_ties import PowerSums, TieWeights, power_sums, tie_weights

__all__ = [
    "EventCells",
    "Moments",
    "RiskSets",
    "moments",
    "risk_sets",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Strata with fewer (event ages x patterns) than this are kept together in one sparse matrix.
SMALL_STRATUM = 20_000
# Up to here at-risk counts are kept as float64 (480 MB); above, as whole numbers of as few bytes as
# hold them, turned over in chunks.
FLOAT_CELLS = 60_000_000
MOST_CELLS = 1_000_000_000
CHUNK_CELLS = 8_000_000
# Failures are kept by place where fewer cells than one in so many have one.
RARE = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EventCells:
    """The (stratum, age) cells with failures, sorted by stratum, then age; shape (events,)."""

    stratum: IntArray
    age: IntArray
    deaths: IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """One large stratum: its event cells by the patterns that occur in it.

    ``rows`` its event cells, ``patterns`` (width,) the pattern codes, ``at_risk`` and ``failed``
    (rows, width), float64 or, where there are very many, whole numbers turned over in pieces;
    ``failed`` sparse where few cells have one.
    """

    rows: slice
    patterns: IntArray
    at_risk: NDArray[Any]
    failed: NDArray[Any] | sparse.csr_array

    def _pieces(self, matrix: Any) -> Iterator[tuple[slice, Any]]:
        if matrix.dtype == np.float64:
            yield slice(0, matrix.shape[0]), matrix
            return
        step = max(1, CHUNK_CELLS // matrix.shape[1])
        for first in range(0, matrix.shape[0], step):
            part = slice(first, min(first + step, matrix.shape[0]))
            yield part, matrix[part].astype(np.float64)

    def over_patterns(self, matrix: Any, values: FloatArray, total: FloatArray) -> None:
        """Write matrix @ values of this stratum into its rows of ``total`` (events, k)."""
        local = values[self.patterns]
        for part, piece in self._pieces(matrix):
            total[self.rows.start + part.start : self.rows.start + part.stop] = piece @ local

    def over_cells(self, matrix: Any, weights: FloatArray, total: FloatArray) -> None:
        """Add matrix.T @ weights of this stratum to its patterns in ``total`` (patterns, ...)."""
        local = weights[self.rows]
        for part, piece in self._pieces(matrix):
            total[self.patterns] += piece.T @ local[part]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiskSets:
    """Who was at risk and who failed, by event cell and pattern.

    ``blocks`` hold the large strata; ``loose`` and ``loose_failed`` the small ones, as sparse
    (events, patterns) matrices. ``powers``: the tie fractions' power sums.
    """

    cells: EventCells
    pattern_count: int
    blocks: tuple[Block, ...]
    loose: sparse.csr_array
    loose_failed: sparse.csr_array
    entered: FloatArray  # episodes by pattern, for centring
    failed_total: FloatArray  # failures by pattern
    powers: PowerSums

    @property
    def events(self) -> int:
        """Number of event cells."""
        return self.cells.age.size

    def over_risk(self, values: FloatArray) -> FloatArray:
        """Sum of ``values`` (patterns, k) over the parts at risk in each cell: (events, k)."""
        total = np.asarray(self.loose @ values)
        for block in self.blocks:
            block.over_patterns(block.at_risk, values, total)
        return total

    def over_failed(self, values: FloatArray) -> FloatArray:
        """Sum of ``values`` (patterns, k) over the parts that failed in each cell: (events, k)."""
        total = np.asarray(self.loose_failed @ values)
        for block in self.blocks:
            block.over_patterns(block.failed, values, total)
        return total

    def at_risk_by_pattern(self, weights: FloatArray) -> FloatArray:
        """Sum over cells of ``weights`` (events,) times the number at risk: (patterns,)."""
        total = np.asarray(self.loose.T @ weights)
        for block in self.blocks:
            block.over_cells(block.at_risk, weights, total)
        return total

    def failed_by_pattern(self, weights: FloatArray) -> FloatArray:
        """Sum over cells of ``weights`` (events,) times the number failed: (patterns,)."""
        total = np.asarray(self.loose_failed.T @ weights)
        for block in self.blocks:
            block.over_cells(block.failed, weights, total)
        return total


def _event_cells(table: PatternTable, span: int) -> EventCells:
    """The (stratum, age) with failures; found by counting where the keys are few, else sorted."""
    if table.dense is not None:
        by_age = table.dense[1].sum(axis=1)
        stratum, age = np.nonzero(by_age)
        return EventCells(stratum=stratum, age=age, deaths=by_age[stratum, age])
    hit = table.failed > 0
    key = table.stratum[hit] * span + table.age[hit]
    top = int(key.max()) + 1
    if top <= max(8 * key.size, 1 << 16):
        deaths = np.bincount(key, weights=table.failed[hit], minlength=top)
        keys = np.flatnonzero(deaths)
        deaths = deaths[keys]
    else:
        keys, row = np.unique(key, return_inverse=True)
        deaths = np.bincount(row, weights=table.failed[hit])
    return EventCells(stratum=keys // span, age=keys % span, deaths=deaths.round().astype(np.int64))


def _kind_for(most: int, dtype: type) -> type:
    """float64, or whole numbers of as few bytes as hold counts up to ``most``."""
    if dtype is np.float64:
        return dtype
    return next(kind for kind in (np.int16, np.int32, np.int64) if most <= np.iinfo(kind).max)


def _failed(
    shape: tuple[int, int], rows: IntArray, columns: IntArray, counts: NDArray[Any], dtype: type
) -> NDArray[Any] | sparse.csr_array:
    """Failures by event cell and pattern, each place named once."""
    if RARE * rows.size < shape[0] * shape[1]:
        return sparse.csr_array((counts.astype(np.float64), (rows, columns)), shape=shape)
    found: NDArray[Any] = np.zeros(shape, dtype=dtype)
    found[rows, columns] = counts
    return found


def _block_of_dense(
    dense: tuple[IntArray, IntArray, IntArray],
    stratum: int,
    patterns: IntArray,
    ages: IntArray,
    rows: slice,
    dtype: type,
) -> Block:
    """The matrices of one stratum out of full arrays over stratum, pattern and age."""
    whole = patterns.size == dense[0].shape[1]
    entered, fell, left = (
        counts[stratum] if whole else counts[stratum][patterns] for counts in dense
    )
    running = np.cumsum(entered - fell - left, axis=1)
    before = np.take(running, np.maximum(ages - 1, 0), axis=1)
    if ages.size and ages[0] == 0:
        before[:, 0] = entered[:, 0]
    at_ages = np.take(fell, ages, axis=1)
    if RARE * int(np.count_nonzero(at_ages)) < at_ages.size:
        failed: NDArray[Any] | sparse.csr_array = sparse.csr_array(at_ages.T.astype(np.float64))
    else:
        failed = np.ascontiguousarray(at_ages.T, dtype=dtype)
    at_risk: NDArray[Any] = np.ascontiguousarray(
        before.T, _kind_for(int(before.max(initial=0)), dtype)
    )
    return Block(rows=rows, patterns=patterns, at_risk=at_risk, failed=failed)


def _block(table: PatternTable, here: slice, ages: IntArray, rows: slice, dtype: type) -> Block:
    """The matrices of one stratum, whose cells are ``here``; ``ages`` are its event ages."""
    # cells are sorted by pattern, then age
    pattern, age = table.pattern[here], table.age[here]
    begins = np.flatnonzero(np.concatenate([[True], np.diff(pattern) != 0]))
    ends = np.append(begins, pattern.size)
    column = np.repeat(np.arange(begins.size), np.diff(ends))
    span = int(age.max()) + 1
    entered = table.entered[here]
    change = entered - table.failed[here] - table.left[here]
    most = int(np.bincount(column, weights=entered).max(initial=0))
    at_risk: NDArray[Any] = np.empty((ages.size, begins.size), dtype=_kind_for(most, dtype))
    step = max(1, CHUNK_CELLS // span)
    for first in range(0, begins.size, step):  # some patterns at a time
        last = min(first + step, begins.size)
        part = slice(int(ends[first]), int(ends[last]))
        net = np.zeros((last - first, span))
        net.ravel()[(column[part] - first) * span + age[part]] = change[part]
        # Entering at an age is at risk from the next day on; entering at 0, from day 0 on.
        np.cumsum(net, axis=1, out=net)
        before = np.take(net, np.maximum(ages - 1, 0), axis=1)
        if ages.size and ages[0] == 0:
            before[:, 0] = 0.0
            at_zero = age[part] == 0
            before[column[part][at_zero] - first, 0] = entered[part][at_zero]
        at_risk[:, first:last] = before.T
    hit = table.failed[here] > 0
    failed = _failed(
        (ages.size, begins.size),
        np.searchsorted(ages, age[hit]),
        column[hit],
        table.failed[here][hit],
        dtype,
    )
    return Block(rows=rows, patterns=pattern[begins], at_risk=at_risk, failed=failed)


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
    if not table.failures:
        raise FitError("a hazard model needs at least one failure, but the table has none.")
    span = 1 + (int(table.age.max()) + 1 if table.dense is None else table.dense[0].shape[2])
    cells = _event_cells(table, span)
    strata, first_event, event_count = np.unique(
        cells.stratum, return_index=True, return_counts=True
    )
    if table.dense is None:
        # cells of the table are sorted by stratum, then pattern
        new = (np.diff(table.stratum, prepend=-1) != 0) | (np.diff(table.pattern, prepend=-1) != 0)
        patterns_in = np.bincount(table.stratum[new], minlength=int(strata[-1]) + 1)[strata]
        entered = _summed(table.pattern, table.entered, pattern_count)
        failed_total = _summed(table.pattern, table.failed, pattern_count)
    else:
        by_group = table.dense[0].sum(axis=2)
        patterns_in = (by_group > 0).sum(axis=1)[strata]
        short = pattern_count - by_group.shape[1]  # patterns that no table of these sizes holds
        entered = np.pad(by_group.sum(axis=0).astype(np.float64), (0, max(short, 0)))
        failed_total = np.pad(
            table.dense[1].sum(axis=(0, 2)).astype(np.float64), (0, max(short, 0))
        )
        entered, failed_total = entered[:pattern_count], failed_total[:pattern_count]
    size = event_count * patterns_in
    large = size >= SMALL_STRATUM
    if int(size.sum()) > MOST_CELLS:
        raise FitError(
            f"the risk sets must fit in memory, but have {int(size.sum()):,} cells "
            "(event ages x patterns, summed over strata).",
            do="use fewer covariate levels or coarser bins.",
        )
    dtype = np.float64 if 2 * int(size[large].sum()) <= FLOAT_CELLS else np.int32
    blocks = []
    for index in np.flatnonzero(large):
        rows = slice(int(first_event[index]), int(first_event[index] + event_count[index]))
        ages = cells.age[rows]
        if table.dense is None:
            limits = np.searchsorted(table.stratum, [strata[index], strata[index] + 1])
            here = slice(int(limits[0]), int(limits[1]))
            blocks.append(_block(table, here, ages, rows, dtype))
        else:
            stratum = int(strata[index])
            patterns = np.flatnonzero(by_group[stratum])
            blocks.append(_block_of_dense(table.dense, stratum, patterns, ages, rows, dtype))
    loose, loose_failed = _loose(table, cells, strata[~large], span, pattern_count)
    return RiskSets(
        cells=cells,
        pattern_count=pattern_count,
        blocks=tuple(blocks),
        loose=loose,
        loose_failed=loose_failed,
        entered=entered,
        failed_total=failed_total,
        powers=power_sums(cells.deaths),
    )


def _loose(
    table: PatternTable, cells: EventCells, strata: IntArray, span: int, pattern_count: int
) -> tuple[sparse.csr_array, sparse.csr_array]:
    """At-risk and failed counts of all small strata, as sparse (events, patterns) matrices."""
    shape = (cells.age.size, pattern_count)
    if not strata.size:
        empty = sparse.csr_array(shape, dtype=np.float64)
        return empty, empty
    used = np.isin(table.stratum, strata)
    stratum, pattern, age = table.stratum[used], table.pattern[used], table.age[used]
    entered, fell = table.entered[used], table.failed[used]
    gone = fell + table.left[used]
    event_key = cells.stratum * span + cells.age + 1
    hit = fell > 0
    failed = sparse.csr_array(
        (
            fell[hit].astype(np.float64),
            (np.searchsorted(event_key, (stratum * span + age + 1)[hit]), pattern[hit]),
        ),
        shape=shape,
    )
    # A life entering at a is at risk from the first event age above a (at age 0: from 0 on);
    # one gone at a is at risk up to and with a.
    enter_after = np.where(age == 0, 0, age + 1)
    enters_at = np.searchsorted(event_key, stratum * span + enter_after, side="right")
    leaves_at = np.searchsorted(event_key, stratum * span + age + 1, side="right")
    key = stratum * pattern_count + pattern
    begins = np.flatnonzero(np.concatenate([[True], np.diff(key) != 0]))
    owner = np.repeat(np.arange(begins.size), np.diff(np.append(begins, key.size)))
    first_event = np.searchsorted(cells.stratum, stratum[begins], side="left")
    slots = np.searchsorted(cells.stratum, stratum[begins], side="right") - first_event + 1
    base = np.concatenate([[0], np.cumsum(slots)])
    offset = (base[:-1] - first_event)[owner]
    flat = np.zeros(base[-1])
    for place, number, sign in ((enters_at, entered, 1), (leaves_at, gone, -1)):
        flat += sign * np.bincount(offset + place, weights=number, minlength=flat.size)
    flat = np.cumsum(flat)  # every group sums to zero, so each starts afresh
    filled = np.flatnonzero(flat)
    group = np.searchsorted(base, filled, side="right") - 1
    rows = filled - base[group] + first_event[group]
    return sparse.csr_array((flat[filled], (rows, pattern[begins][group])), shape=shape), failed


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
    failed = risk.over_failed(columns)
    deaths = risk.cells.deaths
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = tie_weights(deaths, at_risk[:, 0], failed[:, 0], ties=ties, powers=risk.powers)
    s1, s1_failed = at_risk[:, 1:], failed[:, 1:]

    scale = np.ones(deaths.size) if cell_weight is None else cell_weight
    exposure = hazard * (
        risk.at_risk_by_pattern(scale * weights.a) - risk.failed_by_pattern(scale * weights.b)
    )
    observed = risk.failed_total if cell_weight is None else risk.failed_by_pattern(scale)
    gradient = design.T @ (observed - exposure)
    second = design.T @ (exposure[:, None] * design)
    cross = s1.T @ ((scale * weights.b2)[:, None] * s1_failed)
    outer = (
        s1.T @ ((scale * weights.a2)[:, None] * s1)
        - cross
        - cross.T
        + s1_failed.T @ ((scale * weights.c2)[:, None] * s1_failed)
    )
    log_likelihood = float(
        risk.failed_total @ np.where(present, linear - log_scale, 0.0) - weights.log.sum()
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


def _summed(place: IntArray, values: IntArray, size: int) -> FloatArray:
    return np.asarray(np.bincount(place, weights=values, minlength=size), dtype=np.float64)
