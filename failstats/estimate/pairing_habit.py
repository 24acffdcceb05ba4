"""Some technicians pair parts more than others: that habit as a second way to the difference.

Weights can only balance what was written down. Whether the technician who happened to come pairs
often or seldom has nothing to do with the dryer, so what differs between the two comes from the
pairing (an instrument). The price is a wide interval, and it is refused where habits are alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse

from failstats.errors import FitError, InputError
from failstats.estimate.follow_on import replicate_blocks

__all__ = ["LEAST_STRENGTH", "HabitEffect", "pairing_habit"]

FloatArray = NDArray[np.float64]
#: Below this first-stage F the instrument is weak (Staiger and Stock 1997, Econometrica 65:557,
#: from memory: 10 as a rule of thumb).
LEAST_STRENGTH = 10.0
FEWEST_GROUPS = 3
SINGULAR = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HabitEffect:
    """The difference between pairing seldom and often, per job paired.

    Attributes
    ----------
    windows : (k,) days. difference : (k,) alone minus both. draws : (replicates, k).
    strength : first-stage F of the habit (bootstrap by cluster). groups : how many habits.
    """

    windows: NDArray[np.int64]
    difference: FloatArray
    draws: FloatArray
    strength: float
    groups: int

    def interval(self, confidence_level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """(low, high), percentile bootstrap."""
        tail = (1 - confidence_level) / 2
        low, high = np.nanquantile(self.draws, [tail, 1 - tail], axis=0)
        return low, high


def _left_out_share(both: FloatArray, group: NDArray[np.int64], weight: FloatArray) -> FloatArray:
    """(replicates, jobs): share of the group's *other* jobs that were paired."""
    jobs = np.arange(group.size)
    member = sparse.csr_array((np.ones(group.size), (group, jobs)))
    paired, size = (member @ (weight * both).T).T, (member @ weight.T).T
    others = size[:, group] - weight
    own = paired[:, group] - weight * both
    overall = (weight * both).sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
    return np.where(others > 0, own / np.where(others > 0, others, 1.0), overall)


def _known_at(
    days: NDArray[np.int64], event: NDArray[np.int64], arm: NDArray[np.bool_], window: int
) -> FloatArray:
    """Inverse chance that a job's outcome at the window is known; 0 where it is not (IPCW)."""
    known = (days >= window) | (event > 0)
    weight = np.zeros(len(days))
    for side in (False, True):
        mine = arm == side
        time, lost = days[mine], event[mine] == 0
        ages, gone = np.unique(time[lost], return_counts=True)
        at_risk = len(time) - np.searchsorted(np.sort(time), ages, side="left")
        kept = np.concatenate([[1.0], np.cumprod(1 - gone / np.maximum(at_risk, 1))])
        still = kept[np.searchsorted(ages, np.minimum(time, window), side="left")]
        weight[mine] = np.where(known[mine] & (still > 0), 1 / np.maximum(still, SINGULAR), 0.0)
    return weight


def pairing_habit(
    followed_days: ArrayLike,
    *,
    event: ArrayLike,
    both: ArrayLike,
    habit: ArrayLike,
    cluster: ArrayLike,
    windows: ArrayLike,
    covariates: ArrayLike | None = None,
    replicates: int = 400,
    seed: int = 0,
) -> HabitEffect:
    """Do the dryers of technicians who pair often come back less?

    Parameters
    ----------
    followed_days, event, both, cluster, windows, covariates : as in `follow_on`.
    habit : (jobs,) who decided: technician, or van.
    replicates, seed : of the bootstrap.

    Returns
    -------
    HabitEffect : the ratio of covariances (outcome with habit over pairing with habit), the
    habit being the share paired of the same technician's *other* jobs; covariates taken out of
    all three; jobs lost from sight before the window stand in by inverse chance of being known.

    Raises
    ------
    FitError : fewer than three habits, or habits too alike (F below 10).

    References
    ----------
    Angrist and Krueger (1999), Handbook of Labor Economics 3A, ch. 23 (left-out habits, from
    memory).
    """
    days, kind = np.asarray(followed_days, dtype=np.int64), np.asarray(event, dtype=np.int64)
    paired = np.asarray(both, dtype=bool)
    ends = np.atleast_1d(np.asarray(windows, dtype=np.int64))
    names, group = np.unique(np.asarray(habit).astype(str), return_inverse=True)
    if not days.shape == kind.shape == paired.shape == group.shape:
        raise InputError("followed_days, event, both and habit must be equally long.")
    if len(names) < FEWEST_GROUPS:
        raise FitError(f"pairing habit: {len(names)} habits, at least {FEWEST_GROUPS} needed.")
    units, code = np.unique(np.asarray(cluster).astype(str), return_inverse=True)
    rng = np.random.default_rng(seed)
    treated = paired.astype(float)
    x = np.ones((len(days), 1))
    if covariates is not None:
        x = np.column_stack([x, np.asarray(covariates, dtype=float)])
    known = [_known_at(days, kind, paired, int(window)) for window in ends]
    happened = [((kind == 1) & (days <= window)).astype(float) for window in ends]
    upper = np.triu_indices(x.shape[1])
    squares = x[:, upper[0]] * x[:, upper[1]]
    slopes: list[list[FloatArray]] = [[] for _ in ends]
    found: list[list[FloatArray]] = [[] for _ in ends]
    # the records themselves first, then replicates, a few at a time
    for size in [0, *replicate_blocks(replicates, rows=len(days))]:
        weight = np.ones((1, len(days)))
        if size:
            weight = rng.poisson(1.0, size=(size, len(units)))[:, code].astype(float)
        share = _left_out_share(treated, group, weight)
        for at, outcome in enumerate(happened):
            w = weight * known[at]
            left = share - _fitted(share, x, w, squares, upper)
            w *= left
            first, reduced = w @ treated, w @ outcome
            w *= left
            scale = w.sum(axis=1)
            with np.errstate(divide="ignore", invalid="ignore"):
                slopes[at].append(first / scale)
                found[at].append(-reduced / first)
    strength = np.inf
    for blocks in slopes:
        slope = np.concatenate(blocks)
        spread = float(np.nanvar(slope[1:], ddof=1))
        strength = min(strength, float(slope[0] ** 2 / spread) if spread > 0 else 0.0)
    if not strength >= LEAST_STRENGTH:
        raise FitError(
            f"pairing habit: habits are too alike to tell (F = {strength:.1f}, at least "
            f"{LEAST_STRENGTH:g} needed)."
        )
    table = np.column_stack([np.concatenate(blocks) for blocks in found])
    return HabitEffect(
        windows=ends, difference=table[0], draws=table[1:], strength=strength, groups=len(names)
    )


def _fitted(
    value: FloatArray,
    x: FloatArray,
    weight: FloatArray,
    squares: FloatArray,
    upper: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> FloatArray:
    """(replicates, jobs): weighted least squares of each row of value on x; ``squares`` the
    products of its columns that are named by ``upper``."""
    width = x.shape[1]
    normal = np.empty((len(weight), width, width))
    normal[:, upper[0], upper[1]] = normal[:, upper[1], upper[0]] = weight @ squares
    normal += SINGULAR * np.eye(width)
    beta = np.linalg.solve(normal, ((weight * value) @ x)[..., None])[..., 0]
    return beta @ x.T
