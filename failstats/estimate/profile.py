"""Intervals of fitted lives: by profile likelihood, or by standard errors.

A profile interval holds the values at which the likelihood, made as large as it can be with
that value fixed, drops by no more than half a chi-square quantile from its top.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

from failstats.estimate.intervals import Interval, normal_quantile
from failstats.estimate.likelihood import Evaluation, FellOff, climb

if TYPE_CHECKING:
    from failstats.estimate.life_models import FittedLife

__all__ = ["profile_at", "profile_parameter", "wald_at", "wald_parameter"]

#: Beyond this many standard errors a limit counts as open.
FAR = 60.0


def _ends(
    drop: Callable[[float], float], centre: float, error: float, reach: float
) -> tuple[float, float] | None:
    """Where ``drop`` (0 at the centre, growing outwards) crosses reach**2 / 2 on both sides."""
    limit = reach * reach / 2
    ends = []
    for side in (-1.0, 1.0):
        inside, outside = centre, centre + side * reach * error
        while True:
            try:
                over = drop(outside) - limit
            except FellOff:
                return None
            if not np.isfinite(over):
                return None
            if over >= 0:
                break
            if abs(outside - centre) > FAR * error:
                outside = side * np.inf
                break
            inside, outside = outside, centre + 1.6 * (outside - centre)
        if np.isinf(outside):
            ends.append(outside)
            continue
        try:
            ends.append(
                brentq(lambda x: drop(x) - limit, inside, outside, xtol=1e-12 * error, rtol=1e-13)
            )
        except (FellOff, ValueError):
            return None
    return ends[0], ends[1]


def _named(fit: FittedLife) -> str:
    return "penalised profile likelihood" if fit.penalty is not None else "profile likelihood"


def profile_parameter(fit: FittedLife, j: int, *, confidence_level: float) -> Interval | None:
    """Profile interval of parameter j on its own scale; None where it cannot be followed."""
    likelihood, top = fit.likelihood, fit.likelihood(fit.theta)[0]
    others = [i for i in range(fit.theta.size) if i != j]
    warm = {"theta": np.array(fit.theta)}

    def drop(value: float) -> float:
        def slice_(part: np.ndarray) -> Evaluation:
            whole = np.array(warm["theta"])
            whole[j], whole[others] = value, part
            v, g, h = likelihood(whole)
            return v, g[others], h[np.ix_(others, others)]

        if not others:
            return top - likelihood(np.array([value]))[0]
        found = climb(slice_, warm["theta"][others])
        warm["theta"][others] = found.theta
        return top - found.value

    error = float(np.sqrt(fit.covariance[j, j]))
    ends = _ends(drop, float(fit.theta[j]), error, normal_quantile(confidence_level))
    if ends is None:
        return None
    low, high = np.exp(ends) if fit.family.positive[j] else ends
    return Interval(low, high, _named(fit))


def wald_parameter(fit: FittedLife, j: int, *, confidence_level: float) -> Interval:
    """Standard-error interval of parameter j, made on the scale it is fitted on."""
    half = normal_quantile(confidence_level) * np.sqrt(fit.covariance[j, j])
    ends = np.array([fit.theta[j] - half, fit.theta[j] + half])
    positive = fit.family.positive[j]
    low, high = np.exp(ends) if positive else ends
    return Interval(low, high, _wald_name(fit, "log scale" if positive else ""))


def _wald_name(fit: FittedLife, scale: str) -> str:
    words = ["normal"]
    if fit.covariance_kind == "clustered":
        words.append("clustered by unit")
    if scale:
        words.append(scale)
    return ", ".join(words)


def wald_at(
    fit: FittedLife, *, age: float, hazard: float, free: str, confidence_level: float
) -> Interval:
    """Delta-method interval on the log scale of the age at which H = hazard, or of H at age."""
    parts = fit.family.cumulative(fit.theta, np.array([float(age)]))
    slope = parts.first[:, 0] / hazard  # of log H
    if free == "age":
        log_h = fit.family.log_hazard(fit.theta, np.array([float(age)])).value[0]
        slope = -slope * hazard / (age * np.exp(log_h))
    half = normal_quantile(confidence_level) * np.sqrt(slope @ fit.covariance @ slope)
    centre = age if free == "age" else hazard
    return Interval(centre * np.exp(-half), centre * np.exp(half), _wald_name(fit, "log scale"))


def profile_at(
    fit: FittedLife, *, age: float, hazard: float, free: str, confidence_level: float
) -> Interval | None:
    """Profile interval of the age at which H = hazard (free "age"), or of H at age ("hazard")."""
    family, likelihood = fit.family, fit.likelihood
    top = likelihood(fit.theta)[0]
    scale = family.scale_index
    others = [i for i in range(fit.theta.size) if i != scale]
    wald = wald_at(fit, age=age, hazard=hazard, free=free, confidence_level=confidence_level)
    reach = normal_quantile(confidence_level)
    error = (np.log(wald.high) - np.log(wald.low)) / (2 * reach)
    shape = others[0] if others else None
    warm = {"shape": float(fit.theta[shape]) if shape is not None else 0.0}
    width = float(np.sqrt(fit.covariance[shape, shape])) if shape is not None else 0.0

    def drop(value: float) -> float:
        t, h = (np.exp(value), hazard) if free == "age" else (age, np.exp(value))

        def on_curve(part: float) -> np.ndarray:
            whole = np.array(fit.theta)
            if shape is not None:
                whole[shape] = part
            return family.locate(whole, t, h)

        def slope(part: float) -> float:
            theta = on_curve(part)
            _, gradient, _ = likelihood(theta)
            bend = family.cumulative(theta, np.array([t])).first[:, 0]
            return float(gradient[shape] - gradient[scale] * bend[shape] / bend[scale])

        if shape is None:
            return top - likelihood(on_curve(0.0))[0]
        best = _root_near(slope, warm["shape"], width)
        warm["shape"] = best
        return top - likelihood(on_curve(best))[0]

    centre = float(np.log(age if free == "age" else hazard))
    ends = _ends(drop, centre, error, reach)
    if ends is None:
        return None
    low, high = np.exp(ends)
    return Interval(low, high, _named(fit))


def _root_near(slope: Callable[[float], float], start: float, width: float) -> float:
    """Where the slope turns from up to down, looked for outwards from ``start``."""
    here = slope(start)
    if here == 0:
        return start
    side = 1.0 if here > 0 else -1.0
    near, step = start, 0.25 * width
    for _ in range(40):
        far = near + side * step
        there = slope(far)
        if not np.isfinite(there):
            raise FellOff("the profile leaves the range of numbers")
        if there * side <= 0:
            return float(brentq(slope, near, far, xtol=1e-10 * width, rtol=1e-13))
        near, step = far, 1.7 * step
    raise FellOff("the profile has no top")
