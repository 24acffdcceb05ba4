"""The top of a likelihood of a handful of parameters, and how far one may stray from it.

Shared by the models of selected records (silent loss, hidden state, renewal births, frailty),
whose likelihoods give a value and a slope; the curvature is differenced from the slope.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq, minimize

from failstats.errors import FitError
from failstats.estimate.intervals import Interval, normal_quantile
from failstats.estimate.stretch import read_only

__all__ = ["Peak", "Surface", "differenced_slope", "find_peak", "profile_interval", "wald_interval"]

#: theta, shape (p,) -> (log-likelihood, its gradient, shape (p,)).
Surface = Callable[[np.ndarray], tuple[float, np.ndarray]]

#: Step, on the log scale of the parameters, for differencing the slope.
STEP = 1e-4
#: Newton steps after the quasi-Newton climb; each halves the distance at least.
POLISH = 12
#: Half the squared distance to the top in standard errors at which the climb is done.
DONE = 1e-10
#: A log parameter this far from its start has run away: a factor of e**12 = 160,000.
RUNAWAY = 12.0
#: Beyond this many standard errors a profile limit counts as open.
FAR = 40.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Peak:
    """Where the likelihood is largest.

    theta : shape (p,), logarithms of positive parameters. covariance : shape (p, p), inverse of
    the observed information. log_likelihood : the value there. names : of the parameters.
    """

    theta: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    names: tuple[str, ...]

    def at(self, name: str) -> int:
        """The place of a parameter in theta."""
        return self.names.index(name)


def differenced_slope(value: Callable[[np.ndarray], float], *, step: float = 1e-5) -> Surface:
    """A value alone made into a value with its slope, by central differences."""

    def surface(theta: np.ndarray) -> tuple[float, np.ndarray]:
        slope = np.empty(theta.size)
        for j in range(theta.size):
            up, down = theta.copy(), theta.copy()
            up[j] += step
            down[j] -= step
            slope[j] = (value(up) - value(down)) / (2 * step)
        return value(theta), slope

    return surface


def _curvature(surface: Surface, theta: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Differenced one-sidedly: an error of STEP, relative, in the covariance."""
    found = np.empty((theta.size, theta.size))
    for j in range(theta.size):
        up = theta.copy()
        up[j] += STEP
        found[j] = (surface(up)[1] - slope) / STEP
    return (found + found.T) / 2


def find_peak(
    surface: Surface, *, starts: Sequence[np.ndarray], names: Sequence[str], what: str
) -> Peak:
    """The top of a likelihood, with its covariance.

    Parameters
    ----------
    surface : value and slope at a theta.
    starts : where to begin: the highest first, the others where that leads nowhere.
    names : of the parameters, for the messages.
    what : the model in words, for the messages.

    Raises
    ------
    FitError : a parameter runs away or the records do not hold one of them.
    """
    heights = []
    for start in starts:
        with np.errstate(all="ignore"):
            height = surface(np.asarray(start, dtype=float))[0]
        heights.append(height if np.isfinite(height) else -np.inf)
    fault: FitError | None = None
    for i in np.argsort(-np.array(heights), kind="stable"):
        if np.isfinite(heights[i]):
            try:
                return _climbed(surface, np.asarray(starts[i], dtype=float), tuple(names), what)
            except FitError as one:
                fault = fault or one
    raise fault or FitError(f"{what}: no number could be computed at any starting value.")


def _climbed(surface: Surface, start: np.ndarray, names: tuple[str, ...], what: str) -> Peak:
    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        if np.abs(theta - start).max() > RUNAWAY:
            return 1e300, np.zeros(theta.size)
        with np.errstate(all="ignore"):
            value, slope = surface(theta)
        if not np.isfinite(value) or not np.isfinite(slope).all():
            return 1e300, np.zeros(theta.size)
        return -value, -slope

    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 400})
    if found.fun > 1e299:
        raise FitError(f"{what}: the fit ran away from its start.")
    return _polished(surface, np.array(found.x), names, what)


def _polished(surface: Surface, theta: np.ndarray, names: tuple[str, ...], what: str) -> Peak:
    """Newton steps; the curvature is taken again only when a step gained too little."""
    covariance: np.ndarray | None = None
    before = np.inf
    for _ in range(POLISH):
        with np.errstate(all="ignore"):
            value, slope = surface(theta)
        if covariance is not None and 0.5 * float(slope @ covariance @ slope) > before / 10:
            covariance = None
        fresh = covariance is None
        if covariance is None:
            covariance = _covariance(surface, theta, slope, names, what)
        step = covariance @ slope
        to_go = 0.5 * float(slope @ step)
        if to_go < DONE:
            return Peak(
                theta=read_only(theta),
                covariance=read_only(covariance),
                log_likelihood=float(value),
                names=names,
            )
        before = np.inf if fresh and to_go > 1.0 else to_go
        length = min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-300))
        for _ in range(40):
            with np.errstate(all="ignore"):
                moved = surface(theta + length * step)[0]
            if np.isfinite(moved) and moved >= value - 1e-12 * abs(value):
                break
            length /= 2
        if to_go > 1e-2:
            covariance = None  # far from the top: the curvature there is another
        theta = theta + length * step
    raise FitError(f"{what}: the fit did not settle.", do="read the brackets instead.")


def _covariance(
    surface: Surface, theta: np.ndarray, slope: np.ndarray, names: tuple[str, ...], what: str
) -> np.ndarray:
    with np.errstate(all="ignore"):
        bend = _curvature(surface, theta, slope)
    if not np.isfinite(bend).all():
        raise FitError(f"{what}: the likelihood cannot be computed around its top.")
    size = np.sqrt(np.maximum(np.abs(np.diag(bend)), 1e-300))
    values, vectors = np.linalg.eigh(-bend / np.outer(size, size))
    if values[0] <= 1e-9:
        weak = names[int(np.abs(vectors[:, 0] / size).argmax())]
        raise FitError(
            f"{what}: the records do not hold {weak}; the likelihood does not bend there.",
            do="give more records, or read the brackets instead.",
        )
    return (vectors / values) @ vectors.T / np.outer(size, size)


def wald_interval(peak: Peak, name: str, *, confidence_level: float = 0.95) -> Interval:
    """Standard-error interval of a positive parameter, made on its logarithm."""
    j = peak.at(name)
    half = normal_quantile(confidence_level) * np.sqrt(peak.covariance[j, j])
    low, high = np.exp(peak.theta[j] - half), np.exp(peak.theta[j] + half)
    return Interval(low, high, "observed information, log scale")


def profile_interval(
    surface: Surface, *, peak: Peak, name: str, confidence_level: float = 0.95
) -> Interval:
    """Values of a positive parameter at which the best likelihood drops by no more than half
    a chi-square quantile; an end beyond 40 standard errors is open (0 or infinite).
    """
    j = peak.at(name)
    others = [i for i in range(peak.theta.size) if i != j]
    reach = normal_quantile(confidence_level)
    error = float(np.sqrt(peak.covariance[j, j]))
    slope = -peak.covariance[others, j] / peak.covariance[j, j]
    warm: dict[str, Any] = {"at": float(peak.theta[j]), "theta": np.array(peak.theta)}

    def drop(value: float) -> float:
        whole = np.array(warm["theta"])
        whole[others] -= slope * (value - warm["at"]) if others else 0.0
        whole[j] = value
        if not others:
            return peak.log_likelihood - surface(whole)[0] - reach**2 / 2

        def loss(part: np.ndarray) -> tuple[float, np.ndarray]:
            theta = whole.copy()
            theta[others] = part
            with np.errstate(all="ignore"):
                height, gradient = surface(theta)
            if not np.isfinite(height):
                return 1e300, np.zeros(len(others))
            return -height, -gradient[others]

        found = minimize(loss, whole[others], jac=True, method="BFGS", options={"gtol": 1e-4})
        whole[others] = found.x
        warm["at"], warm["theta"] = value, whole
        return peak.log_likelihood + float(found.fun) - reach**2 / 2

    ends = []
    for side in (-1.0, 1.0):
        warm["at"], warm["theta"] = float(peak.theta[j]), np.array(peak.theta)
        inside, width = float(peak.theta[j]), reach * error
        outside = inside + side * width
        while drop(outside) < 0:
            if abs(outside - peak.theta[j]) > FAR * error:
                outside = side * np.inf
                break
            inside, outside = outside, outside + side * 0.6 * width
        if np.isfinite(outside):
            outside = brentq(drop, inside, outside, xtol=1e-4 * error)
        ends.append(np.exp(outside))
    return Interval(ends[0], ends[1], "profile likelihood")
