"""A second opinion on a hazard ratio: failures per day lived, in age bands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate.hazard_fit import LOST_ERROR, CoxFit, Design
from failstats.estimate.log_ratios import LogRatios
from failstats.estimate.read_only import frozen

__all__ = ["Agreement", "PoissonFit", "agreement", "piecewise_exponential"]

FloatArray = NDArray[np.float64]

CELLS_AT_ONCE = 100_000
# Relative change of the coefficients at which the iterations stop; they converge quadratically.
STOP_AT = 1e-10
MOST_STEPS = 100
MOST_HALVINGS = 30
# What adding up a log likelihood of millions of cells may lose.
ROUNDING = 1e-12
# A log hazard ratio beyond this across its covariate's range has run away (no failures).
RUNAWAY = 15.0
# The two models are said to agree when no log ratio differs by more than this many standard errors.
AGREE_WITHIN = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoissonFit(LogRatios):
    """Rate ratios of a part by covariate, from failures and days lived in age bands.

    ``coefficients`` (p,) log rate ratios, NaN where ``estimable`` is false; ``covariance`` (p, p);
    ``rates``: frame with stratum, band, from_age, to_age (days), rate (failures per day at
    covariates zero).
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    estimable: NDArray[np.bool_]
    log_likelihood: float
    failures: int
    rates: pd.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells:
    """Cells with time at risk: ``piece`` (n,) stratum and band, ``kind`` (n,) row of ``values``
    (patterns, p), ``days`` and ``failed`` (n,), ``shift`` (patterns,) added to the log hazard."""

    piece: NDArray[np.int64]
    kind: NDArray[np.int64]
    days: FloatArray
    failed: FloatArray
    values: FloatArray
    shift: FloatArray

    @property
    def pieces(self) -> int:
        return int(self.piece.max(initial=-1)) + 1

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """Covariates of some cells at a time."""
        for low in range(0, self.kind.size, CELLS_AT_ONCE):
            here = slice(low, low + CELLS_AT_ONCE)
            yield here, self.values[self.kind[here]]

    def spread_within(self, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(pieces, p) means of the covariates, and (p, p) sums of squares about them, weighted."""
        p = self.values.shape[1]
        square = np.zeros((p, p))
        sums = np.zeros((self.pieces, p))
        for here, x in self.blocks():
            heavy = x * weight[here, None]
            square += x.T @ heavy
            for column in range(p):
                sums[:, column] += np.bincount(
                    self.piece[here], weights=heavy[:, column], minlength=self.pieces
                )
        total = np.bincount(self.piece, weights=weight, minlength=self.pieces)
        mean = sums / total[:, None]
        return mean, square - mean.T @ sums

    def index_of(self, beta: FloatArray) -> FloatArray:
        """(n,) log hazard beyond that of the piece."""
        return np.asarray((self.values @ beta + self.shift)[self.kind])


def _varying(cells: _Cells, spread: FloatArray, ranges: FloatArray) -> list[int]:
    """Columns that vary within some piece, beyond what earlier columns say.

    Parameters
    ----------
    spread : (p, p) sums of squares within pieces, weighted by days. ranges : (p,) of the columns.
    """
    kept: list[int] = []
    least = 1e-13 * cells.days.sum() * ranges**2
    for column in range(ranges.size):
        own = float(spread[column, column])
        rest = own
        if kept:
            beside = spread[kept, column]
            rest -= float(beside @ np.linalg.solve(spread[np.ix_(kept, kept)], beside))
        if own > least[column] and rest > 1e-9 * own:
            kept.append(column)
    return kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Peak:
    """``beta`` (p,), ``curvature`` (p, p), ``base`` (pieces,) log rates, ``log_likelihood``."""

    beta: FloatArray
    curvature: FloatArray
    base: FloatArray
    log_likelihood: float
    converged: bool


def _climb(cells: _Cells) -> _Peak:
    """The maximum of the likelihood, each piece's rate set to its best for given ratios.

    Notes
    -----
    Newton steps on the profile likelihood: sum of failures times log hazard, less failures of each
    piece times the logarithm of its days weighted by hazard. Steps that lead down are halved.
    """
    failures = np.bincount(cells.piece, weights=cells.failed, minlength=cells.pieces)

    def at(beta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        index = cells.index_of(beta)
        top = float(index.max(initial=0.0))
        weight = cells.days * np.exp(index - top)
        total = np.bincount(cells.piece, weights=weight, minlength=cells.pieces)
        with np.errstate(divide="ignore", invalid="ignore"):
            base = np.log(failures) - np.log(total) - top
        height = float(cells.failed @ (index + base[cells.piece]))
        return height, weight * (failures / total)[cells.piece], base

    beta = np.zeros(cells.values.shape[1])
    height, expected, base = at(beta)
    converged = False
    for _ in range(MOST_STEPS):
        slope = np.zeros(beta.size)
        for here, x in cells.blocks():
            slope += x.T @ (cells.failed[here] - expected[here])
        curvature = cells.spread_within(expected)[1]
        step = np.linalg.lstsq(curvature, slope, rcond=None)[0]
        for _ in range(MOST_HALVINGS):
            higher = at(beta + step)
            if higher[0] >= height - abs(height) * ROUNDING:
                break
            step = step / 2
        beta = beta + step
        height, expected, base = higher
        if (np.abs(step) <= STOP_AT * np.maximum(np.abs(beta), 1.0)).all():
            converged = True
            break
    mean = np.maximum(expected, np.finfo(float).tiny)
    full = cells.failed @ np.log(mean) - expected.sum() - gammaln(cells.failed + 1).sum()
    return _Peak(
        beta=beta,
        curvature=cells.spread_within(expected)[1],
        base=base,
        log_likelihood=float(full),
        converged=converged,
    )


def piecewise_exponential(
    table: PatternTable,
    *,
    design: Design | pd.DataFrame | ArrayLike,
    cuts: ArrayLike,
    offset: ArrayLike | None = None,
) -> PoissonFit:
    """How many times more often a part fails per day lived under one condition than another.

    Parameters
    ----------
    table : counts by stratum, pattern and age (days).
    design : (patterns, p), row = pattern code.
    cuts : ages (days) where the hazard may change; it is constant in (from, to].
    offset : (patterns,), added to the log hazard.

    Returns
    -------
    PoissonFit.

    Raises
    ------
    FitError : no failures, or no convergence.
    InputError : shapes or values do not fit.

    Notes
    -----
    Every stratum has its own rate in every band. Bands without a failure say nothing about the
    ratios and are left out (their rate is 0). With one band per event day this *is* the Breslow
    Cox model; it shares no code with ``cox``. The rates of bands, of which there may be hundreds,
    are not parameters of the search: for given ratios the best of each is known. Covariates are
    held by pattern, and read for some cells at a time.

    References
    ----------
    Whitehead (1980) Applied Statistics 29:268; Laird and Olivier (1981) JASA 76:231.

    Examples
    --------
    >>> table = PatternTable.from_episodes([0] * 4, [10, 10, 10, 10], [1, 0, 1, 1], [0, 0, 1, 1])
    >>> fit = piecewise_exponential(table, design=[[0.0], [1.0]], cuts=[])
    >>> round(float(fit.hazard_ratio().hazard_ratio.iloc[0]), 6)  # 2 against 1 failure in 20 days
    2.0
    """
    plan = Design.read(design)
    patterns, p = plan.values.shape
    if table.pattern_count > patterns:
        raise InputError(
            f"design must have a row for every pattern, but has {patterns} rows and the largest "
            f"pattern code is {table.pattern_count - 1}."
        )
    shift = np.zeros(patterns) if offset is None else np.asarray(offset, dtype=float)
    if shift.shape != (patterns,):
        raise InputError(f"offset must have shape ({patterns},), but has {shift.shape}.")
    if not table.failures:
        raise FitError("a rate ratio needs at least one failure, but the table has none.")
    cells = table.person_days(cuts)
    pieces = cells.groupby(["stratum", "band"], sort=True)["failed"].transform("sum")
    cells = cells[(pieces > 0) & (cells["person_days"] > 0)]
    key = cells[["stratum", "band", "from_age", "to_age"]].drop_duplicates()
    key = key.sort_values(["stratum", "band"]).reset_index(drop=True)
    piece = cells.merge(key.reset_index(), on=["stratum", "band"])["index"].to_numpy()
    days = cells["person_days"].to_numpy(float)
    kind = cells["pattern"].to_numpy(np.int64)
    seen = np.unique(kind)
    values = np.where(np.isin(np.arange(patterns), seen)[:, None], plan.values, 0.0)
    if not (np.isfinite(plan.values[seen]).all() and np.isfinite(shift[seen]).all()):
        raise InputError("design and offset must be finite for every pattern in the table.")
    low, high = values[seen].min(axis=0), values[seen].max(axis=0)
    cells_of = {"piece": piece, "kind": kind, "days": days, "shift": shift}
    failed = cells["failed"].to_numpy(float)
    centre = (np.bincount(kind, weights=days, minlength=patterns) @ values) / days.sum()
    scale = np.where(high > low, high - low, 1.0)
    scaled = (values - centre) / scale
    whole = _Cells(**cells_of, failed=failed, values=scaled)
    kept = _varying(whole, whole.spread_within(days)[1], (high - low) / scale)
    peak = _climb(_Cells(**cells_of, failed=failed, values=scaled[:, kept]))
    inner = peak.beta
    spread = np.linalg.pinv(peak.curvature, hermitian=True)
    running = (np.abs(inner) > RUNAWAY) | ~np.isfinite(inner)
    if running.any():  # others may have lost what they were compared with
        with np.errstate(invalid="ignore"):
            running |= ~(np.sqrt(np.diag(spread)) <= LOST_ERROR)
    if not (peak.converged or running.any()):
        raise FitError(
            f"the rate model must converge, but did not within {MOST_STEPS} steps.",
            do="give fewer cuts, or merge covariate levels.",
        )
    good = np.array(kept, dtype=np.int64)[~running]
    coefficients, covariance = np.full(p, np.nan), np.full((p, p), np.nan)
    coefficients[good] = inner[~running] / scale[good]
    covariance[np.ix_(good, good)] = spread[np.ix_(~running, ~running)] / np.outer(
        scale[good], scale[good]
    )
    base = peak.base - (inner / scale[kept]) @ centre[kept]
    rates = key.assign(rate=np.full(len(key), np.nan) if running.any() else np.exp(base))
    return PoissonFit(
        names=plan.names,
        coefficients=frozen(coefficients),
        covariance=frozen(covariance),
        estimable=frozen(np.isfinite(coefficients), np.bool_),
        log_likelihood=peak.log_likelihood,
        failures=table.failures,
        rates=rates,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Agreement:
    """Do the two models say the same? ``difference`` (p,) in log ratio, ``in_errors`` (p,) in
    standard errors of the first, ``agree`` whether all are within ``within``."""

    names: tuple[str, ...]
    difference: FloatArray
    in_errors: FloatArray
    within: float
    agree: bool


def agreement(first: CoxFit, *, second: PoissonFit, within: float = AGREE_WITHIN) -> Agreement:
    """Whether the second opinion confirms the hazard ratios.

    Parameters
    ----------
    first, second : the two fits of the same design. within : tolerance in standard errors.

    Returns
    -------
    Agreement. A ratio that only one of the two could estimate is a disagreement.
    """
    if first.names != second.names:
        raise InputError("both models must have the same covariates, but they differ.")
    difference = second.coefficients - first.coefficients
    in_errors = np.abs(difference) / first.standard_errors
    both = first.estimable & second.estimable
    same = bool((first.estimable == second.estimable).all() and (in_errors[both] <= within).all())
    return Agreement(
        names=first.names,
        difference=frozen(difference),
        in_errors=frozen(in_errors),
        within=within,
        agree=same,
    )
