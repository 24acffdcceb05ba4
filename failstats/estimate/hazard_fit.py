"""Cox model from counts: how a covariate multiplies the failure hazard of a part."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate.hazard_sums import Moments, RiskSets, moments, risk_sets
from failstats.estimate.log_ratios import LogRatios
from failstats.estimate.read_only import frozen

__all__ = ["CoxFit", "Design", "EventSums", "cox", "with_covariance"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

TIES = ("efron", "breslow")
MOST_STEPS = 60
MOST_HALVINGS = 30
# Converged: every coefficient's gradient is below this many of its own standard errors.
GRADIENT_TOLERANCE = 1e-10
# A column adds nothing if the others explain all but this share of its information.
ALIAS_TOLERANCE = 1e-9
# Monotone likelihood: the likelihood has stopped rising (decrement below RUNAWAY_DECREMENT), yet
# the next Newton step would still move the log hazard by more than RUNAWAY_STEP across the
# covariate's range. A regular fit is then within 3e-4 standard errors of its maximum.
RUNAWAY_DECREMENT = 1e-7
RUNAWAY_STEP = 0.01
# Once some ratio runs away, others can lose what they were compared with: they are given up when
# their standard error, across the covariate's range, exceeds this (an interval of e^-39 to e^39).
LOST_ERROR = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """What each covariate pattern means: one row per pattern, one column per covariate.

    Parameters
    ----------
    values : (patterns, p). names : p words.

    Examples
    --------
    >>> Design(values=[[0.0], [1.0]], names=["over_24"]).values.shape
    (2, 1)
    """

    values: FloatArray
    names: tuple[str, ...]

    def __post_init__(self) -> None:
        values = frozen(self.values)
        if values.ndim != 2 or values.shape[1] != len(self.names):
            raise InputError(
                "design must have one row per pattern and one column per name, but has shape "
                f"{values.shape} with {len(self.names)} names."
            )
        if len(set(self.names)) != len(self.names):
            raise InputError(f"names must differ, but are {list(self.names)}.")
        object.__setattr__(self, "values", values)
        object.__setattr__(self, "names", tuple(str(name) for name in self.names))

    @classmethod
    def read(cls, design: Design | pd.DataFrame | ArrayLike) -> Design:
        """A Design from a Design, a data frame (row = pattern code) or a plain array."""
        if isinstance(design, Design):
            return design
        if isinstance(design, pd.DataFrame):
            return cls(values=design.to_numpy(float), names=tuple(map(str, design.columns)))
        values = np.asarray(design, dtype=float)
        if values.ndim == 1:
            values = values[:, None]
        return cls(values=values, names=tuple(f"x{k + 1}" for k in range(values.shape[1])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EventSums:
    """Per event cell (stratum, age), what a row has to look up to get its residuals.

    ``hazard`` (events,): baseline hazard step. ``hazard_mean`` (events, k): the same times the
    covariate mean. ``tied``, ``tied_mean``: the part of both a part that failed that day is
    spared (Efron). ``mean`` (events, k): covariate mean of the risk set. ``square`` (events,):
    for the variance of the baseline. Columns are the estimable ones, centred.
    """

    stratum: IntArray
    age: IntArray
    deaths: IntArray
    hazard: FloatArray
    square: FloatArray
    hazard_mean: FloatArray
    tied: FloatArray
    tied_mean: FloatArray
    mean: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoxFit(LogRatios):
    """Hazard ratios of a part by covariate, with what later checks need.

    ``coefficients`` (p,) log hazard ratios and ``covariance`` (p, p), NaN where ``estimable`` is
    false (``reasons`` says why). ``log_likelihood_null``, ``log_likelihood``; ``score_test``
    against all zero on ``degrees`` degrees of freedom; ``gradient`` (p,) at the end.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    estimable: NDArray[np.bool_]
    reasons: tuple[str, ...]
    log_likelihood_null: float
    log_likelihood: float
    score_test: float
    degrees: int
    gradient: FloatArray
    iterations: int
    ties: str
    failures: int
    design: Design
    offset: FloatArray
    kept: IntArray
    inner_coefficients: FloatArray
    inner_covariance: FloatArray
    centre: FloatArray
    log_scale: float
    relative_hazard: FloatArray
    events: EventSums

    @property
    def likelihood_ratio(self) -> float:
        """Likelihood-ratio statistic against all coefficients zero, on ``degrees``."""
        return 2 * (self.log_likelihood - self.log_likelihood_null)

    @property
    def score_p_value(self) -> float:
        """p-value of the score test; 1 where nothing is estimable."""
        return float(stats.chi2.sf(self.score_test, self.degrees)) if self.degrees else 1.0

    def table(self) -> pd.DataFrame:
        """One row per covariate: coefficient, standard error, z, p-value, ratio, interval."""
        error = self.standard_errors
        z = self.coefficients / error
        frame = pd.DataFrame(
            {
                "coefficient": self.coefficients,
                "standard_error": error,
                "z": z,
                "p_value": 2 * stats.norm.sf(np.abs(z)),
            },
            index=list(self.names),
        )
        frame = frame.join(self.hazard_ratio())
        frame["estimable"] = self.estimable
        frame["reason"] = list(self.reasons)
        return frame.rename_axis("name").reset_index()

    def __str__(self) -> str:
        lines = [f"Cox model ({self.ties} ties), {self.failures} failures"]
        for row in self.table().itertuples():
            lines.append(
                f"  {row.name}: hazard ratio {row.hazard_ratio:.3f} ({row.low:.3f}-{row.high:.3f})"
                if row.estimable
                else f"  {row.name}: not estimable, {row.reason}"
            )
        return "\n".join(lines)


def solve_scaled(information: FloatArray, right: FloatArray) -> FloatArray:
    """Solve information @ x = right after scaling to unit diagonal (covariates in any unit)."""
    scale = 1 / np.sqrt(np.diag(information))
    matrix = information * np.outer(scale, scale)
    side = right * (scale if right.ndim == 1 else scale[:, None])
    solution = np.linalg.solve(matrix, side)
    return solution * (scale if right.ndim == 1 else scale[:, None])


def _not_aliased(information: FloatArray, floor: FloatArray) -> IntArray:
    """Columns that add information beyond the earlier ones, in order."""
    kept: list[int] = []
    for column in range(information.shape[0]):
        own = information[column, column]
        if not own > floor[column]:
            continue
        rest = own
        if kept:
            cross = information[np.ix_(kept, [column])][:, 0]
            rest = own - cross @ solve_scaled(information[np.ix_(kept, kept)], cross)
        if rest > ALIAS_TOLERANCE * own:
            kept.append(column)
    return np.array(kept, dtype=np.int64)


def event_sums(risk: RiskSets, at: Moments) -> EventSums:
    """The look-up sums of each event cell at one set of coefficients."""
    w, s1, s1f = at.weights, at.s1, at.s1_failed
    return EventSums(
        stratum=frozen(risk.cells.stratum, np.int64),
        age=frozen(risk.cells.age, np.int64),
        deaths=frozen(risk.cells.deaths, np.int64),
        hazard=frozen(w.a),
        square=frozen(w.a2),
        hazard_mean=frozen(s1 * w.a2[:, None] - s1f * w.b2[:, None]),
        tied=frozen(w.b),
        tied_mean=frozen(s1 * w.b2[:, None] - s1f * w.c2[:, None]),
        mean=frozen((s1 * w.a[:, None] - s1f * w.b[:, None]) / risk.cells.deaths[:, None]),
    )


def cox(
    table: PatternTable,
    *,
    design: Design | pd.DataFrame | ArrayLike,
    ties: str = "efron",
    offset: ArrayLike | None = None,
    coefficients: ArrayLike | None = None,
) -> CoxFit:
    """How many times faster a part fails under one condition than under another.

    Parameters
    ----------
    table : counts by stratum, pattern and age (days); a stratum has its own baseline hazard.
    design : (patterns, p), row = pattern code: a Design, a data frame or an array.
    ties : "efron" (failures of one day happened in some order) or "breslow".
    offset : (patterns,), added to the log hazard with coefficient 1.
    coefficients : (p,), held instead of fitted: everything is evaluated there.

    Returns
    -------
    CoxFit. A coefficient without contrast, or whose likelihood keeps rising without bound
    (no failures on one side), is reported as not estimable: NaN with a reason. The others are
    then the limits along the rising direction, to about 1e-6.

    Raises
    ------
    FitError : no failure, or no convergence. InputError : shapes or values do not fit.

    Notes
    -----
    At risk at t: start < t <= stop (left truncation and split lives included). Newton steps with
    analytic gradient and Hessian; as exact as the same model on expanded rows.

    References
    ----------
    Cox (1972) JRSS B 34:187; Efron (1977) JASA 72:557; Breslow (1974) Biometrics 30:89.

    Examples
    --------
    >>> table = PatternTable.from_episodes(
    ...     [0, 0, 0, 0, 0, 0], [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], [1, 1, 1, 0, 0, 0])
    >>> fit = cox(table, design=[[0.0], [1.0]], ties="breslow")
    >>> round(float(fit.coefficients[0]), 6)  # log((3 + sqrt(33)) / 2)
    1.475285
    """
    if ties not in TIES:
        raise InputError(f"ties must be one of {', '.join(TIES)}, but is {ties!r}.")
    plan = Design.read(design)
    patterns, p = plan.values.shape
    if table.pattern_count > patterns:
        raise InputError(
            f"design must have a row for every pattern, but has {patterns} rows and the largest "
            f"pattern code is {table.pattern_count - 1}.",
            do="give one design row per pattern code, counted from 0.",
        )
    shift = np.zeros(patterns) if offset is None else np.asarray(offset, dtype=float)
    if shift.shape != (patterns,):
        raise InputError(f"offset must have shape ({patterns},), but has {shift.shape}.")
    risk = risk_sets(table, pattern_count=patterns)
    present = risk.entered > 0
    used = np.where(present[:, None], plan.values, 0.0)
    shift = np.where(present, shift, 0.0)
    if not (np.isfinite(used).all() and np.isfinite(shift).all()):
        raise InputError("design and offset must be finite for every pattern in the table.")
    centre = risk.entered @ used / risk.entered.sum()
    centred = np.where(present[:, None], used - centre, 0.0)
    spread = np.ptp(centred[present], axis=0)

    def at(columns: IntArray, beta: FloatArray) -> Moments:
        return moments(risk, design=centred[:, columns], coefficients=beta, offset=shift, ties=ties)

    everything = np.arange(p)
    null = at(everything, np.zeros(p))
    floor = 1e-13 * table.failures * spread**2
    kept = _not_aliased(null.information, floor)
    reasons = ["" if k in kept else "no contrast within any stratum's risk sets" for k in range(p)]
    score = 0.0
    if kept.size:
        gradient = null.gradient[kept]
        score = float(gradient @ solve_scaled(null.information[np.ix_(kept, kept)], gradient))

    if coefficients is not None:
        held = np.asarray(coefficients, dtype=float)
        if held.shape != (p,) or not np.isfinite(held).all():
            raise InputError(f"coefficients must be {p} finite numbers, but are {held}.")
        kept, beta, steps, runaway = everything, held, 0, np.zeros(p)
        reasons = [""] * p
        last = at(kept, beta)
    else:
        start = null if kept.size == p else at(kept, np.zeros(kept.size))
        last, beta, steps, runaway = _newton(lambda b: at(kept, b), spread[kept], start)
    inner = _inverse(last.information)
    for place in np.flatnonzero(runaway):
        reasons[kept[place]] = (
            "the likelihood keeps rising as the ratio goes to "
            f"{'infinity' if runaway[place] > 0 else 'zero'} (no failures on one side)"
        )
    gone = runaway != 0
    if gone.any():
        with np.errstate(invalid="ignore"):
            lost = ~gone & ~(np.sqrt(np.diag(inner)) * spread[kept] <= LOST_ERROR)
        for place in np.flatnonzero(lost):
            reasons[kept[place]] = "nothing is left to compare with (no failures on one side)"
        gone |= lost
    shown, variance = np.full(p, np.nan), np.full((p, p), np.nan)
    good = kept[~gone]
    shown[good] = beta[~gone]
    variance[np.ix_(good, good)] = inner[np.ix_(~gone, ~gone)]
    slope = np.full(p, np.nan)
    slope[kept] = last.gradient
    estimable = np.isin(everything, good)
    return CoxFit(
        names=plan.names,
        coefficients=frozen(shown),
        covariance=frozen(variance),
        estimable=frozen(estimable, np.bool_),
        reasons=tuple(reasons),
        log_likelihood_null=null.log_likelihood,
        log_likelihood=last.log_likelihood,
        score_test=score,
        degrees=int(kept.size),
        gradient=frozen(slope),
        iterations=steps,
        ties=ties,
        failures=table.failures,
        design=plan,
        offset=frozen(shift),
        kept=frozen(kept, np.int64),
        inner_coefficients=frozen(beta),
        inner_covariance=frozen(inner),
        centre=frozen(centre),
        log_scale=last.log_scale,
        relative_hazard=frozen(last.relative_hazard),
        events=event_sums(risk, last),
    )


def _inverse(information: FloatArray) -> FloatArray:
    """Inverse of the information, NaN where it has none (held coefficients only)."""
    if not information.size:
        return information
    try:
        inverse = solve_scaled(information, np.eye(information.shape[0]))
    except np.linalg.LinAlgError:
        return np.full_like(information, np.nan)
    return (inverse + inverse.T) / 2


def _newton(
    evaluate: Callable[[FloatArray], Moments], spread: FloatArray, start: Moments
) -> tuple[Moments, FloatArray, int, FloatArray]:
    """Newton steps with halving, from zero (``start``); also which coefficients run away, and to
    which side (-1, 1)."""
    beta = np.zeros(spread.size)
    now = start
    runaway = np.zeros(spread.size)
    if not spread.size:
        return now, beta, 0, runaway
    smallest = np.inf
    for step_number in range(MOST_STEPS):
        diagonal = np.diag(now.information)
        if not (diagonal > 0).all():
            return now, beta, step_number, np.where(diagonal > 0, 0.0, np.copysign(1.0, beta))
        size = float(np.max(np.abs(now.gradient) / np.sqrt(diagonal)))
        step = solve_scaled(now.information, now.gradient)
        decrement = float(now.gradient @ step)
        running = np.abs(step) * spread > RUNAWAY_STEP
        if decrement < RUNAWAY_DECREMENT and running.any():
            return now, beta, step_number, np.where(running, np.sign(step), 0.0)
        # Converged, or at the noise floor of the sums: no longer getting smaller.
        if size <= GRADIENT_TOLERANCE or (decrement < 1e-14 and size > smallest / 2):
            return now, beta, step_number, runaway
        smallest = min(smallest, size)
        slack = 1e-10 * (1 + abs(now.log_likelihood))
        for _ in range(MOST_HALVINGS):
            trial = evaluate(beta + step)
            if np.isfinite(trial.log_likelihood) and (
                trial.log_likelihood >= now.log_likelihood - slack
            ):
                break
            step = step / 2
        else:
            break
        beta, now = beta + step, trial
    raise FitError(
        f"the hazard model must converge, but did not within {MOST_STEPS} Newton steps.",
        do="use fewer covariates, or merge levels with few failures.",
    )


def with_covariance(fit: CoxFit, covariance: ArrayLike) -> CoxFit:
    """The same fit with another covariance (for instance cluster-robust) for its intervals."""
    return replace(fit, covariance=frozen(covariance))
