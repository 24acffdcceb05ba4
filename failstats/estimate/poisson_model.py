"""A second opinion on a hazard ratio: failures per day lived, in age bands."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.api as sm
from numpy.typing import ArrayLike, NDArray
from statsmodels.tools.sm_exceptions import DomainWarning, PerfectSeparationWarning

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate.hazard_fit import LOST_ERROR, CoxFit, Design
from failstats.estimate.log_ratios import LogRatios
from failstats.estimate.read_only import frozen

__all__ = ["Agreement", "PoissonFit", "agreement", "piecewise_exponential"]

FloatArray = NDArray[np.float64]

# Largest model matrix that is built, in numbers (8 bytes each).
MOST_NUMBERS = 60_000_000
# Relative change of the coefficients at which the iterations stop.
STOP_AT = 1e-13
MOST_STEPS = 100
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


def _varying(design: FloatArray, piece: NDArray[np.int64], days: FloatArray) -> list[int]:
    """Columns that vary within some piece, beyond what earlier columns say."""
    total = np.bincount(piece, weights=days)
    kept: list[int] = []
    weight = np.sqrt(days)
    basis = np.zeros((days.size, 0))
    for column in range(design.shape[1]):
        mean = np.bincount(piece, weights=days * design[:, column]) / total
        inside = weight * (design[:, column] - mean[piece])
        own = float(inside @ inside)
        spread = float(np.ptp(design[:, column])) if days.size else 0.0
        rest = inside - basis @ (basis.T @ inside)
        if own > 1e-13 * days.sum() * spread**2 and float(rest @ rest) > 1e-9 * own:
            kept.append(column)
            basis = np.column_stack([basis, rest / np.sqrt(rest @ rest)])
    return kept


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
    FitError : no failures, or a model matrix too large to hold.
    InputError : shapes or values do not fit.

    Notes
    -----
    Every stratum has its own rate in every band. Bands without a failure say nothing about the
    ratios and are left out (their rate is 0). With one band per event day this *is* the Breslow
    Cox model. Fitted with statsmodels, so it shares no code with ``cox``.

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
    kind = cells["pattern"].to_numpy()
    values = plan.values[kind]
    if not (np.isfinite(values).all() and np.isfinite(shift[kind]).all()):
        raise InputError("design and offset must be finite for every pattern in the table.")
    kept = _varying(values, piece, days)
    if days.size * (len(key) + len(kept)) > MOST_NUMBERS:
        raise FitError(
            f"the model matrix must hold at most {MOST_NUMBERS:,} numbers, but would be "
            f"{days.size:,} x {len(key) + len(kept):,}.",
            do="give fewer cuts, or merge covariate levels.",
        )
    centre = days @ values / days.sum()
    scale = np.where(np.ptp(values, axis=0) > 0, np.ptp(values, axis=0), 1.0)
    scaled = ((values - centre) / scale)[:, kept]
    matrix = np.zeros((days.size, len(key) + len(kept)))
    matrix[np.arange(days.size), piece] = 1.0
    matrix[:, len(key) :] = scaled
    model = sm.GLM(
        cells["failed"].to_numpy(float),
        matrix,
        family=sm.families.Poisson(),
        offset=np.log(days) + shift[kind],
    )
    with warnings.catch_warnings():
        for kind_of_warning in (RuntimeWarning, DomainWarning, PerfectSeparationWarning):
            warnings.simplefilter("ignore", kind_of_warning)
        result = model.fit(tol=STOP_AT, tol_criterion="params", maxiter=MOST_STEPS)
    inner = np.asarray(result.params)[len(key) :]
    spread = np.asarray(result.cov_params())[len(key) :, len(key) :]
    running = (np.abs(inner) > RUNAWAY) | ~np.isfinite(inner)
    if running.any():  # others may have lost what they were compared with
        with np.errstate(invalid="ignore"):
            running |= ~(np.sqrt(np.diag(spread)) <= LOST_ERROR)
    if not (result.converged or running.any()):
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
    base = np.asarray(result.params)[: len(key)] - (inner / scale[kept]) @ centre[kept]
    rates = key.assign(rate=np.full(len(key), np.nan) if running.any() else np.exp(base))
    return PoissonFit(
        names=plan.names,
        coefficients=frozen(coefficients),
        covariance=frozen(covariance),
        estimable=frozen(np.isfinite(coefficients), np.bool_),
        log_likelihood=float(result.llf),
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
