"""What happened after a repair: cumulative incidence by window, its difference, its doubt.

Pure functions on arrays, one row per index job. Doubt comes from a Poisson bootstrap over
clusters (units, or buildings): one bad thermostat makes many index jobs, so jobs are not
independent. Weights for indication are estimated anew in every replicate, so that their
estimation enters the interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError

__all__ = ["FollowOn", "cumulative_incidence", "follow_on", "propensity"]

FloatArray = NDArray[np.float64]
# Overlap is lacking where more than this share of jobs has a propensity beyond these ends.
LEAST_PROPENSITY = 0.025
LACKING_OVERLAP = 0.05
RIDGE = 1e-6  # keeps the logistic fit of a replicate without both arms in a cell from running away
NEWTON_STEPS = 25


def cumulative_incidence(
    followed_days: ArrayLike,
    *,
    event: ArrayLike,
    windows: ArrayLike,
    weights: ArrayLike | None = None,
) -> FloatArray:
    """Share of jobs followed by the event within each window, where other endings compete.

    Parameters
    ----------
    followed_days : (jobs,) days from the job to whatever came first.
    event : (jobs,) 1 the event, 2 a competing ending, 0 no longer watched.
    windows : (k,) days.
    weights : (jobs,) or (replicates, jobs); default 1.

    Returns
    -------
    (k,), or (replicates, k): the Aalen-Johansen estimate at each window; NaN where no weight is.

    Examples
    --------
    >>> cumulative_incidence([10, 20, 400], event=[1, 0, 0], windows=[365]).round(4).tolist()
    [0.3333]
    """
    days = np.asarray(followed_days, dtype=np.int64)
    kind = np.asarray(event, dtype=np.int64)
    ends = np.atleast_1d(np.asarray(windows, dtype=np.int64))
    weight = np.ones(days.shape) if weights is None else np.asarray(weights, dtype=float)
    single = weight.ndim == 1
    weight = np.atleast_2d(weight)
    last = int(ends.max())
    used = days > 0
    days, kind, weight = np.minimum(days[used], last + 1), kind[used], weight[:, used]
    kind = np.where(days > last, 0, kind)
    grid = np.zeros((3, weight.shape[0], last + 2))
    for code in range(3):
        mine = kind == code
        for row in range(weight.shape[0]):
            grid[code, row] = np.bincount(days[mine], weights=weight[row, mine], minlength=last + 2)
    leaving = grid.sum(axis=0)
    total = leaving.sum(axis=1, keepdims=True)
    at_risk = total - np.concatenate(
        [np.zeros_like(total), np.cumsum(leaving, axis=1)[:, :-1]], axis=1
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard = np.where(at_risk > 1e-12, (grid[1] + grid[2]) / at_risk, 0.0)
        step = np.where(at_risk > 1e-12, grid[1] / at_risk, 0.0)
    before = np.concatenate([np.ones_like(total), np.cumprod(1 - hazard, axis=1)[:, :-1]], axis=1)
    share = np.cumsum(before * step, axis=1)[:, ends]
    share[total[:, 0] <= 0] = np.nan
    return share[0] if single else share


def propensity(
    covariates: ArrayLike, *, treated: ArrayLike, weights: ArrayLike | None = None
) -> FloatArray:
    """The chance that a job's partner was replaced too, from what was known at the job.

    Parameters
    ----------
    covariates : (jobs, p) without a constant. treated : (jobs,) 0 or 1. weights : (jobs,).

    Returns
    -------
    (jobs,) fitted chances of a logistic regression (with a tiny ridge).
    """
    x = np.column_stack([np.ones(len(np.asarray(treated))), np.asarray(covariates, dtype=float)])
    y = np.asarray(treated, dtype=float)
    w = np.ones(y.shape) if weights is None else np.asarray(weights, dtype=float)
    beta = np.zeros(x.shape[1])
    penalty = RIDGE * w.sum() * np.eye(x.shape[1])
    penalty[0, 0] = 0.0
    for _ in range(NEWTON_STEPS):
        chance = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
        gradient = x.T @ (w * (y - chance)) - penalty @ beta
        hessian = (x * (w * chance * (1 - chance))[:, None]).T @ x + penalty
        step = np.linalg.solve(hessian + 1e-12 * np.eye(len(beta)), gradient)
        beta = beta + np.clip(step, -5, 5)
        if np.abs(step).max() < 1e-9:
            break
    return 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FollowOn:
    """What follows a job with and without a new partner.

    Attributes
    ----------
    windows : (k,) days.
    alone, both : (k,) cumulative incidence; alone_draws, both_draws : (replicates, k).
    weighted_alone, weighted_both : (k,), and their draws; None without overlap.
    overlap : share of jobs whose propensity lies between the ends; None where not asked for.
    """

    windows: NDArray[np.int64]
    alone: FloatArray
    both: FloatArray
    alone_draws: FloatArray
    both_draws: FloatArray
    weighted_alone: FloatArray | None
    weighted_both: FloatArray | None
    weighted_alone_draws: FloatArray | None
    weighted_both_draws: FloatArray | None
    overlap: float | None

    def difference(self) -> FloatArray:
        """(k,) alone minus both."""
        return self.alone - self.both

    def interval(self, confidence_level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """(low, high) of the difference, percentile bootstrap."""
        return _limits(self.alone_draws - self.both_draws, confidence_level)

    def weighted_difference(self) -> FloatArray | None:
        """(k,) the difference weighted for indication; None without overlap."""
        if self.weighted_alone is None or self.weighted_both is None:
            return None
        return self.weighted_alone - self.weighted_both

    def weighted_interval(
        self, confidence_level: float = 0.95
    ) -> tuple[FloatArray, FloatArray] | None:
        """(low, high) of the weighted difference; None without overlap."""
        if self.weighted_alone_draws is None or self.weighted_both_draws is None:
            return None
        return _limits(self.weighted_alone_draws - self.weighted_both_draws, confidence_level)


def _limits(draws: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    tail = (1 - level) / 2
    low, high = np.nanquantile(draws, [tail, 1 - tail], axis=0)
    return low, high


def follow_on(
    followed_days: ArrayLike,
    *,
    event: ArrayLike,
    both: ArrayLike,
    cluster: ArrayLike,
    windows: ArrayLike,
    covariates: ArrayLike | None = None,
    replicates: int = 400,
    seed: int = 0,
) -> FollowOn:
    """Does replacing the partner too spare a return visit?

    Parameters
    ----------
    followed_days, event : (jobs,) as in `cumulative_incidence`.
    both : (jobs,) whether the partner was replaced too.
    cluster : (jobs,) unit or building of each job.
    windows : (k,) days.
    covariates : (jobs, p) what may have led to pairing; None leaves the weights out.
    replicates, seed : of the bootstrap.

    Raises
    ------
    InputError : one of the two ways was never taken.
    """
    days, kind = np.asarray(followed_days), np.asarray(event)
    paired = np.asarray(both, dtype=bool)
    if paired.all() or not paired.any():
        raise InputError(
            "both ways must have been taken, but the partner was "
            f"{'always' if paired.all() else 'never'} replaced.",
            do="leave the pair out.",
        )
    ends = np.atleast_1d(np.asarray(windows, dtype=np.int64))
    names, code = np.unique(np.asarray(cluster).astype(str), return_inverse=True)
    rng = np.random.default_rng(seed)
    multiples = rng.poisson(1.0, size=(replicates, len(names)))[:, code].astype(float)

    def incidence(weight: FloatArray, arm: NDArray[np.bool_]) -> FloatArray:
        return cumulative_incidence(
            days[arm], event=kind[arm], windows=ends, weights=weight[..., arm]
        )

    ones = np.ones(len(days))
    found: dict[str, FloatArray | None] = dict.fromkeys(("a", "b", "ad", "bd"))
    overlap = None
    if covariates is not None:
        chance = propensity(covariates, treated=paired)
        inside = (chance > LEAST_PROPENSITY) & (chance < 1 - LEAST_PROPENSITY)
        overlap = float(inside.mean())
        if 1 - overlap <= LACKING_OVERLAP:
            x = np.asarray(covariates, dtype=float)

            def weigh(multiple: FloatArray) -> FloatArray:
                p = np.clip(propensity(x, treated=paired, weights=multiple), 0.01, 0.99)
                return multiple * np.where(paired, 1 / p, 1 / (1 - p))

            main = weigh(ones)
            drawn = np.vstack([weigh(multiple) for multiple in multiples])
            found = {
                "a": incidence(main, ~paired),
                "b": incidence(main, paired),
                "ad": incidence(drawn, ~paired),
                "bd": incidence(drawn, paired),
            }
    return FollowOn(
        windows=ends,
        alone=incidence(ones, ~paired),
        both=incidence(ones, paired),
        alone_draws=incidence(multiples, ~paired),
        both_draws=incidence(multiples, paired),
        weighted_alone=found["a"],
        weighted_both=found["b"],
        weighted_alone_draws=found["ad"],
        weighted_both_draws=found["bd"],
        overlap=overlap,
    )
