"""What happened after a repair: cumulative incidence by window, its difference, its doubt.

Pure functions on arrays, one row per index job. Doubt comes from a Poisson bootstrap over
clusters (units, or buildings): one bad thermostat makes many index jobs, so jobs are not
independent. Weights for indication are estimated anew in every replicate, so that their
estimation enters the interval.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile, wilson

__all__ = [
    "BANDS", "Arm", "FollowOn", "cumulative_incidence", "follow_on", "propensity",
    "replicate_blocks",
]  # fmt: skip

FloatArray = NDArray[np.float64]
# Overlap is lacking where more than this share of jobs has a propensity beyond these ends.
LEAST_PROPENSITY = 0.025
LACKING_OVERLAP = 0.05
WEIGHT_ENDS = (0.01, 0.99)  # no job counts more than a hundredfold
FEW_EVENTS = 5  # below it resampled shares bunch at 0 and their percentiles are too narrow
BANDS = np.linspace(0.0, 1.0, 11)  # of the propensity, for showing the overlap
RIDGE = 1e-6  # keeps the logistic fit of a replicate without both arms in a cell from running away
NEWTON_STEPS = 25
SETTLED = 1e-5  # last Newton step on the log odds; the error left is its square
WEIGHTS_AT_ONCE = 2_000_000  # replicates x jobs
SINGULAR = 1e-12  # keeps an empty replicate solvable
NOBODY = 1e-12  # weight below which nobody is at risk: rounding of sums of weights


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
    grid = np.zeros((weight.shape[0], 3 * (last + 2)))
    if days.size:
        cell = kind * (last + 2) + days
        order = np.argsort(cell, kind="stable")
        cells, first = np.unique(cell[order], return_index=True)
        grid[:, cells] = np.add.reduceat(weight[:, order], first, axis=1)
    quiet, failed, other = np.split(grid, 3, axis=1)
    leaving = failed + other + quiet
    total = leaving.sum(axis=1, keepdims=True)
    at_risk = total - np.concatenate(
        [np.zeros_like(total), np.cumsum(leaving, axis=1)[:, :-1]], axis=1
    )
    somebody = at_risk > NOBODY
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard = np.where(somebody, (failed + other) / at_risk, 0.0)
        step = np.where(somebody, failed / at_risk, 0.0)
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
    covariates : (jobs, p) without a constant. treated : (jobs,) 0 or 1.
    weights : (jobs,) or (replicates, jobs).

    Returns
    -------
    Shape of weights: fitted chances of a logistic regression (with a tiny ridge); one fit for
    each row of weights.
    """
    y = np.asarray(treated, dtype=float)
    x = np.column_stack([np.ones(len(y)), np.asarray(covariates, dtype=float)])
    weight = np.ones(y.shape) if weights is None else np.asarray(weights, dtype=float)
    single = weight.ndim == 1
    w = np.atleast_2d(weight)
    width = x.shape[1]
    upper = np.triu_indices(width)
    squares = x[:, upper[0]] * x[:, upper[1]]
    beta = np.zeros((1, width))
    if len(w) > 1:  # replicates lie near the fit of their mean
        mean = w.mean(axis=0, keepdims=True)
        beta = _climb(beta, x, y, mean, squares, upper, RIDGE * mean.sum(axis=1))
    beta = _climb(np.repeat(beta, len(w), axis=0), x, y, w, squares, upper, RIDGE * w.sum(axis=1))
    chance = _logistic(beta @ x.T)
    return chance[0] if single else chance


def _climb(
    beta: FloatArray,
    x: FloatArray,
    y: FloatArray,
    w: FloatArray,
    squares: FloatArray,
    upper: tuple[NDArray[np.int64], NDArray[np.int64]],
    ridge: FloatArray,
) -> FloatArray:
    """Newton steps of a penalised logistic regression for every row of weights at once."""
    width = x.shape[1]
    keep = np.ones(width)
    keep[0] = 0.0
    penalty = ridge[:, None] * keep
    for _ in range(NEWTON_STEPS):
        chance = _logistic(beta @ x.T)
        gradient = (w * (y - chance)) @ x - penalty * beta
        hessian = np.empty((len(w), width, width))
        filled = (w * chance * (1 - chance)) @ squares
        hessian[:, upper[0], upper[1]] = hessian[:, upper[1], upper[0]] = filled
        hessian += (penalty + SINGULAR)[:, :, None] * np.eye(width)
        step = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        beta = beta + np.clip(step, -5, 5)
        if np.abs(step).max() < SETTLED:
            break
    return beta


def _logistic(value: FloatArray) -> FloatArray:
    return 1 / (1 + np.exp(-np.clip(value, -30, 30)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FollowOn:
    """What follows a job with and without a new partner.

    Attributes
    ----------
    windows : (k,) days.
    alone, both : (k,) cumulative incidence; alone_draws, both_draws : (replicates, k).
    events, known : (2, k) events by the window and jobs whose outcome there is known: alone, both.
    weighted_alone, weighted_both : (k,), and their draws; None without overlap.
    overlap : share of jobs whose propensity lies between the ends; None where not asked for.
    overlap_alone, overlap_both : (10,) jobs by propensity (0 to 0.1, 0.1 to 0.2, ...) in each arm.
    """

    windows: NDArray[np.int64]
    alone: FloatArray
    both: FloatArray
    alone_draws: FloatArray
    both_draws: FloatArray
    events: NDArray[np.int64]
    known: NDArray[np.int64]
    weighted_alone: FloatArray | None
    weighted_both: FloatArray | None
    weighted_alone_draws: FloatArray | None
    weighted_both_draws: FloatArray | None
    overlap: float | None
    overlap_alone: NDArray[np.int64] | None = None
    overlap_both: NDArray[np.int64] | None = None

    def difference(self) -> FloatArray:
        """(k,) alone minus both."""
        return self.alone - self.both

    def interval(self, confidence_level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """(low, high) of the difference, from the limits of the two arms (percentiles of the
        resampled difference are too narrow where an arm has a dozen events)."""
        return _limits(*self.arms(), confidence_level)

    def weighted_difference(self) -> FloatArray | None:
        """(k,) the difference weighted for indication; None without overlap."""
        if self.weighted_alone is None or self.weighted_both is None:
            return None
        return self.weighted_alone - self.weighted_both

    def weighted_interval(
        self, confidence_level: float = 0.95
    ) -> tuple[FloatArray, FloatArray] | None:
        """(low, high) of the weighted difference, as `interval`; None without overlap."""
        if self.weighted_alone_draws is None or self.weighted_both_draws is None:
            return None
        return _limits(*self.arms(weighted=True), confidence_level)

    def arms(self, *, weighted: bool = False) -> tuple[Arm, Arm]:
        """The two arms (alone, both), crude or weighted."""
        shares = (self.alone, self.both, self.alone_draws, self.both_draws)
        if weighted:
            assert self.weighted_alone is not None
            assert self.weighted_both is not None
            assert self.weighted_alone_draws is not None
            assert self.weighted_both_draws is not None
            shares = (
                self.weighted_alone,
                self.weighted_both,
                self.weighted_alone_draws,
                self.weighted_both_draws,
            )
        return (
            Arm(share=shares[0], draws=shares[2], events=self.events[0], known=self.known[0]),
            Arm(share=shares[1], draws=shares[3], events=self.events[1], known=self.known[1]),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """Jobs of one kind: share followed by the event, (k,), its draws, events seen and jobs whose
    outcome at the window is known."""

    share: FloatArray
    draws: FloatArray
    events: NDArray[np.int64]
    known: NDArray[np.int64]

    def interval(self, confidence_level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """(low, high): on the log(-log) scale with the bootstrap's standard error; Wilson's where
        there is hardly any event."""
        reach = normal_quantile(confidence_level)
        share = np.clip(self.share, 0, 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            quiet = -np.log1p(-share)  # cumulative hazard of the event
            spread = reach * np.nanstd(self.draws, axis=0, ddof=1) / ((1 - share) * quiet)
            low = -np.expm1(-quiet * np.exp(-spread))
            high = -np.expm1(-quiet * np.exp(spread))
        size = np.maximum(self.known, 1)
        ends = wilson(share * size, of=size, confidence_level=confidence_level)
        thin = (self.events < FEW_EVENTS) | ~np.isfinite(spread)
        return np.where(thin, ends[0], low), np.where(thin, ends[1], high)


def _limits(alone: Arm, both: Arm, level: float) -> tuple[FloatArray, FloatArray]:
    """From two intervals to that of a difference (Zou 2008): each arm's distance to its limit,
    their correlation (units with jobs of both kinds) from the common resamples."""
    (alone_low, alone_high), (both_low, both_high) = alone.interval(level), both.interval(level)
    middle = alone.share - both.share
    tied = _correlation(alone.draws, both.draws)

    def distance(one: FloatArray, other: FloatArray) -> FloatArray:
        return np.sqrt(np.maximum(one**2 + other**2 - 2 * tied * one * other, 0.0))

    down = distance(alone.share - alone_low, both_high - both.share)
    up = distance(alone_high - alone.share, both.share - both_low)
    return middle - down, middle + up


def _correlation(one: FloatArray, other: FloatArray) -> FloatArray:
    """(k,) of two sets of draws; 0 where either does not vary."""
    a, b = one - np.nanmean(one, axis=0), other - np.nanmean(other, axis=0)
    scale = np.sqrt(np.nanmean(a**2, axis=0) * np.nanmean(b**2, axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(scale > 0, np.nanmean(a * b, axis=0) / scale, 0.0)


def replicate_blocks(replicates: int, *, rows: int) -> list[int]:
    """How many replicates to weigh at a time, so that their weights are 16 MB at most: what a
    processor's cache nearly holds.

    >>> replicate_blocks(200, rows=15_000)
    [133, 67]
    """
    size = max(1, min(replicates, WEIGHTS_AT_ONCE // max(rows, 1)))
    return [min(size, replicates - low) for low in range(0, replicates, size)]


def _joined(blocks: Sequence[dict[str, FloatArray]], name: str) -> FloatArray:
    """(replicates, k) of all blocks."""
    return np.concatenate([block[name] for block in blocks])


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

    References
    ----------
    Zou and Donner (2008) Statistics in Medicine 27:1693; Newcombe (1998) 17:873 (from memory).
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

    def multiples() -> Iterator[FloatArray]:
        """How often each job is drawn, so many replicates at a time that they fit in memory."""
        for size in replicate_blocks(replicates, rows=len(days)):
            yield rng.poisson(1.0, size=(size, len(names)))[:, code].astype(float)

    def incidence(weight: FloatArray, arm: NDArray[np.bool_]) -> FloatArray:
        return cumulative_incidence(
            days[arm], event=kind[arm], windows=ends, weights=weight[..., arm]
        )

    def arms_of(weight: FloatArray) -> dict[str, FloatArray]:
        return {"alone": incidence(weight, ~paired), "both": incidence(weight, paired)}

    ones = np.ones(len(days))
    weigh: Callable[[FloatArray], FloatArray] | None = None
    found: dict[str, FloatArray | None] = dict.fromkeys(("a", "b", "ad", "bd"))
    overlap, bands = None, {}
    if covariates is not None:
        chance = propensity(covariates, treated=paired)
        inside = (chance > LEAST_PROPENSITY) & (chance < 1 - LEAST_PROPENSITY)
        overlap = float(inside.mean())
        bands = {
            name: np.histogram(chance[arm], bins=BANDS)[0]
            for name, arm in (("overlap_alone", ~paired), ("overlap_both", paired))
        }
        if 1 - overlap <= LACKING_OVERLAP:
            x = np.asarray(covariates, dtype=float)

            def weighed(multiple: FloatArray) -> FloatArray:
                p = np.clip(propensity(x, treated=paired, weights=multiple), *WEIGHT_ENDS)
                return multiple * np.where(paired, 1 / p, 1 / (1 - p))

            weigh, main = weighed, weighed(ones)
            found |= {"a": incidence(main, ~paired), "b": incidence(main, paired)}
    plain: list[dict[str, FloatArray]] = []
    weighted: list[dict[str, FloatArray]] = []
    for drawn in multiples():
        plain.append(arms_of(drawn))
        if weigh is not None:
            weighted.append(arms_of(weigh(drawn)))
    if weighted:
        found |= {"ad": _joined(weighted, "alone"), "bd": _joined(weighted, "both")}
    within = days[:, None] <= ends
    arms = (~paired, paired)
    happened = (kind == 1)[:, None] & within
    settled = ~within | (kind > 0)[:, None] | (days[:, None] == ends)
    return FollowOn(
        windows=ends,
        events=np.stack([happened[arm].sum(axis=0) for arm in arms]),
        known=np.stack([settled[arm].sum(axis=0) for arm in arms]),
        alone=incidence(ones, ~paired),
        both=incidence(ones, paired),
        alone_draws=_joined(plain, "alone"),
        both_draws=_joined(plain, "both"),
        weighted_alone=found["a"],
        weighted_both=found["b"],
        weighted_alone_draws=found["ad"],
        weighted_both_draws=found["bd"],
        overlap=overlap,
        **bands,
    )
