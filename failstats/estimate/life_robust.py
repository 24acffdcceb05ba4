"""How sure a fit is when one unit, or one building, gave several lives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.errors import InputError
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife
from failstats.estimate.stretch import read_only

__all__ = ["LifeLaw", "life_scores", "robust_covariance", "sandwich", "score_squares"]

LIVES_AT_ONCE = 1_000_000  # their scores take 8 bytes for each parameter


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LifeLaw:
    """A fitted law of life without the counts behind it: model, theta (p,), and the age in days
    at which failures of day 0 stand."""

    model: str
    theta: np.ndarray
    zero_age: float

    @classmethod
    def of(cls, fit: FittedLife) -> LifeLaw:
        """The law of a fit on counts."""
        return cls(model=fit.model, theta=np.array(fit.theta), zero_age=_zero_age(fit))


def life_scores(fit: FittedLife | LifeLaw, *, entry: Any, exit: Any, failed: Any) -> np.ndarray:
    """How hard each life pulls at each parameter: shape (m, p), summing to 0 without a penalty.

    Parameters
    ----------
    fit : a fit on counts.
    entry, exit : shape (m,), ages; whole days cost least, as each is looked up.
    failed : shape (m,), whether the life ended in the failure that was fitted.
    """
    ends = np.asarray(exit)
    begins = np.broadcast_to(np.asarray(entry), ends.shape)
    died = np.asarray(failed, dtype=bool)
    if died.shape != ends.shape:
        raise InputError("entry, exit and failed must be equally long.")
    law = fit if isinstance(fit, LifeLaw) else LifeLaw.of(fit)
    family, theta = FAMILIES[law.model], law.theta
    at_end, end_place = _lookup(ends)
    at_begin, begin_place = _lookup(begins)
    zero = at_end == 0
    positive = np.where(zero, law.zero_age, at_end)
    hazard = family.log_hazard(theta, positive).first
    total = family.cumulative(theta, positive).first
    if_failed = hazard - total
    if_left = np.where(zero, 0.0, -total)
    scores = np.where(died, if_failed[:, end_place], if_left[:, end_place])
    there = at_begin > 0
    before = np.zeros((theta.size, at_begin.size))
    before[:, there] = family.cumulative(theta, at_begin[there]).first
    return (scores + before[:, begin_place]).T


def sandwich(fit: FittedLife, *, entry: Any, exit: Any, failed: Any, cluster: Any) -> np.ndarray:
    """Covariance of the fitted parameters that lets lives of one unit go together.

    Parameters
    ----------
    fit : a fit on counts of these same lives.
    entry, exit, failed : as in ``life_scores``.
    cluster : shape (m,), the unit (or building) of each life.

    Returns
    -------
    Shape (p, p), of theta; hand it to ``fit.clustered``.

    Notes
    -----
    Scores are summed within a cluster before they are squared; no small-sample factor. Lives
    that entered and left at one age above 0 add nothing, as in the counts.
    """
    squares = score_squares(LifeLaw.of(fit), entry=entry, exit=exit, failed=failed, cluster=cluster)
    return robust_covariance(fit, squares)


def robust_covariance(fit: FittedLife, squares: np.ndarray) -> np.ndarray:
    """``sandwich`` from the ``score_squares`` of all clusters, added up: shape (p, p)."""
    bread = np.linalg.inv(-fit.likelihood(fit.theta)[2])
    return read_only(bread @ squares @ bread)


def score_squares(fit: LifeLaw, *, entry: Any, exit: Any, failed: Any, cluster: Any) -> np.ndarray:
    """Scores summed within each cluster, squared and added up: shape (p, p).

    Those of separate sets of clusters add up. Parameters as in ``sandwich``.
    """
    ends, died = np.asarray(exit), np.asarray(failed, dtype=bool)
    begins = np.broadcast_to(np.asarray(entry), ends.shape)
    codes = np.asarray(cluster)
    if codes.shape != ends.shape:
        raise InputError("cluster must name one unit for each life.")
    if died.shape != ends.shape:
        raise InputError("entry, exit and failed must be equally long.")
    if (
        codes.dtype.kind not in "iu"
        or codes.size == 0
        or codes.min() < 0
        or (codes.max() > 4 * codes.size + 1000)
    ):
        _, codes = np.unique(codes, return_inverse=True)
    size = int(codes.max()) + 1 if codes.size else 0
    summed = np.zeros((fit.theta.size, size))
    for first in range(0, ends.size, LIVES_AT_ONCE):
        here = slice(first, first + LIVES_AT_ONCE)
        scores = life_scores(fit, entry=begins[here], exit=ends[here], failed=died[here])
        scores[(begins[here] == ends[here]) & (ends[here] > 0)] = 0.0
        for place, one in enumerate(scores.T):
            summed[place] += np.bincount(codes[here], weights=one, minlength=size)
    return np.asarray(summed @ summed.T)


def _zero_age(fit: FittedLife) -> float:
    from failstats.estimate.likelihood import CountLikelihood

    if not isinstance(fit.likelihood, CountLikelihood):
        raise InputError("scores by life need a fit on counts, not on intervals.")
    return fit.likelihood.zero_age


def _lookup(ages: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ages to evaluate once, and where each row finds its own."""
    if ages.dtype.kind in "iu" and ages.size and int(ages.max()) <= 4 * ages.size + 100_000:
        return np.arange(int(ages.max()) + 1, dtype=float), ages
    distinct, place = np.unique(ages, return_inverse=True)
    return distinct.astype(float), place
