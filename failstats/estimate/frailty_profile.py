"""How much units differ, by the height of the likelihood at each variance of a gamma frailty.

A profile says where the variance may lie even where units may be alike after all, which standard
errors cannot. Kendall's tau follows from the variance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from failstats.errors import FitError
from failstats.estimate.frailty import lives_begin, lives_checked, lives_surface
from failstats.estimate.intervals import Interval
from failstats.estimate.life_models import FEWEST_FAILURES
from failstats.estimate.peak import Surface

__all__ = ["Reached", "VarianceProfile", "climb", "shared_tau", "variance_profile"]

FloatArray = NDArray[np.float64]
#: Variances of the frailty at which the likelihood is climbed; between them a smooth curve.
VARIANCES = (0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0, 4.0)
ENOUGH = 6.0  # below the peak by so much, no interval up to 99.9 % reaches further
SLOPE_LEFT = 2e-2  # of a log-likelihood in log parameters: an error under 1e-4 of its height
REFINED = 3  # more climbs, at the vertex of the parabola through the three highest points
SETTLED = 0.02  # of a log variance: far within its doubt
SOFTEST = 1e-4  # where the profile of the variance begins: units all but alike


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VarianceProfile:
    """Log-likelihood by variance of the frailty, the other parameters at their best.

    variances, heights : shape (k,), the first all but 0; top : place of the highest.
    """

    variances: FloatArray
    heights: FloatArray
    top: int

    @property
    def variance(self) -> float:
        """The best one (the frailty's mean is 1); 0 where units look alike."""
        return float(self.variances[self.top]) if self.top else 0.0

    @property
    def tau(self) -> float:
        """Kendall's tau between two lives of one unit: variance / (variance + 2)."""
        return self.variance / (self.variance + 2)

    @property
    def p_value(self) -> float:
        """Whether units may be alike: likelihood ratio, half of the chance at the edge 0."""
        gain = max(2 * float(self.heights[self.top] - self.heights[0]), 0.0)
        return float(chi2.sf(gain, 1) / 2) if gain > 0 else 1.0

    def tau_interval(self, confidence_level: float = 0.95) -> Interval:
        """Profile likelihood; begins at 0 where units may be alike."""
        drop = float(chi2.ppf(confidence_level, 1)) / 2
        at = np.log(self.variances)
        curve = PchipInterpolator(at, self.heights)
        best, peak = at[self.top], float(self.heights[self.top])

        def below(place: float) -> float:
            return peak - drop - float(curve(place))

        low, high = 0.0, np.inf
        if below(at[0]) > 0:
            low = float(np.exp(brentq(below, at[0], best)))
        if below(at[-1]) > 0:
            high = float(np.exp(brentq(below, best, at[-1])))
        return Interval(low / (low + 2), high / (high + 2) if np.isfinite(high) else 1.0, "profile")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reached:
    """Where a climb ended, how high, and the inverse curvature learned on the way."""

    theta: FloatArray
    height: float
    inverse: FloatArray


def climb(surface: Surface, start: FloatArray, inverse: FloatArray | None = None) -> Reached:
    """Peak by slope; with the inverse curvature of a like surface it takes a few steps."""

    def loss(theta: FloatArray) -> tuple[float, FloatArray]:
        value, slope = surface(theta)
        if not (np.isfinite(value) and np.isfinite(slope).all()):
            return 1e300, np.zeros_like(theta)
        return -value, -slope

    options: dict[str, object] = {"gtol": SLOPE_LEFT, "maxiter": 60}
    if inverse is not None:
        options["hess_inv0"] = inverse
    found = minimize(loss, start, jac=True, method="BFGS", options=options)
    inverse = (found.hess_inv + found.hess_inv.T) / 2
    return Reached(theta=found.x, height=-float(found.fun), inverse=inverse)


def variance_profile(
    at: Callable[[float], Surface], plain: Reached
) -> tuple[Reached, VarianceProfile]:
    """The parameters near the best variance, and the log-likelihood by variance."""
    known = {SOFTEST: plain}
    reached = plain
    for variance in VARIANCES:
        reached = known[variance] = climb(at(variance), reached.theta, reached.inverse)
        if max(one.height for one in known.values()) - reached.height > ENOUGH:
            break  # further off it only falls
    for _ in range(REFINED):
        variances = sorted(known)
        heights = np.array([known[v].height for v in variances])
        top = int(heights.argmax())
        if not 1 < top < len(heights) - 1:  # at an end, or beside the far-off first point
            break
        three = slice(top - 1, top + 2)
        bend, slope, _ = np.polyfit(np.log(variances[three]), heights[three], 2)
        vertex = float(np.exp(-slope / (2 * bend)))
        near = known[variances[top]]
        if abs(np.log(vertex / variances[top])) < SETTLED:
            break
        known[vertex] = climb(at(vertex), near.theta, near.inverse)
    variances = sorted(known)
    heights = np.array([known[v].height for v in variances])
    top = int(heights.argmax())
    return known[variances[top]], VarianceProfile(
        variances=np.array(variances), heights=heights, top=top
    )


def shared_tau(
    unit: Any,
    *,
    law: Any,
    entry: Any,
    exit: Any,
    failed: Any,
    covariates: Any = None,
    whole: bool = False,
) -> VarianceProfile:
    """Do two parts of one dryer fail early together, beyond what is known of the dryer?

    Parameters
    ----------
    unit, law, entry, exit, failed, covariates : as in `unit_frailty`.
    whole : rows are pieces of lives watched from birth, cut where a covariate changes: their
        hazards add up. Else a row with entry above 0 counts given survival to there.

    Returns
    -------
    VarianceProfile : ``.tau`` and ``.tau_interval``, from 0 where units may be alike.

    Raises
    ------
    FitError : fewer than 5 failures of a law.
    """
    lives = lives_checked(unit, law, entry, exit, failed, covariates, whole)
    if not lives.laws or lives.by_law.min() < FEWEST_FAILURES:
        raise FitError(f"unit frailty: each law needs at least {FEWEST_FAILURES} failures.")
    surface, (_, start) = lives_surface(lives), lives_begin(lives)

    def at(variance: float) -> Surface:
        def fixed(theta: FloatArray) -> tuple[float, FloatArray]:
            value, slope = surface(np.append(theta, np.log(variance)))
            return value, slope[:-1]

        return fixed

    return variance_profile(at, climb(at(SOFTEST), start))[1]
