"""Can a hazard ratio be believed?

What it would mean for the shop (attributable share, number needed, time ratio) is in ``meaning``
and offered here too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile
from failstats.estimate.meaning import (
    AttributableShare,
    NumberNeeded,
    TimeRatio,
    attributable_share,
    number_needed,
    positive,
    time_ratio,
)

__all__ = [
    "CONTROL_LIMITS",
    "DETECTABLE_MULTIPLE",
    "AttributableShare",
    "Calibrated",
    "EValue",
    "NumberNeeded",
    "TimeRatio",
    "attributable_share",
    "calibrated_interval",
    "control_verdict",
    "detectable_hazard_ratio",
    "e_value",
    "number_needed",
    "time_ratio",
]

FloatArray = NDArray[np.float64]

# z(0.975) + z(0.80): a true log ratio this many standard errors from 0 is found in 80 % of trials
# at the 5 % level.
DETECTABLE_MULTIPLE = 2.80
# A negative control is clean only if its whole interval lies inside.
CONTROL_LIMITS = (0.8, 1.25)
# With more than this share failing, a hazard ratio is no longer close to a risk ratio.
COMMON_OUTCOME = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EValue:
    """``estimate``: how strong hidden confounding must be, on both sides, to explain the ratio
    away; ``limit``: the same for the end of the interval nearest to 1 (1 if it includes 1; None
    without an interval); ``risk_ratio`` the ratio they were computed from."""

    estimate: float
    limit: float | None
    risk_ratio: float


def _as_risk_ratio(ratio: float, measure: str, common: bool) -> float:
    if not common or measure == "risk_ratio":
        return ratio
    if measure == "odds_ratio":
        return float(np.sqrt(ratio))
    root = np.sqrt(ratio)
    return float((1 - 0.5**root) / (1 - 0.5 ** (1 / root)))


def _bound(risk_ratio: float) -> float:
    up = max(risk_ratio, 1 / risk_ratio)
    return float(up + np.sqrt(up * (up - 1)))


def e_value(
    ratio: float,
    *,
    low: float | None = None,
    high: float | None = None,
    measure: str = "hazard_ratio",
    common: bool = False,
) -> EValue:
    """How strong would something unrecorded have to be to explain the whole effect?

    Parameters
    ----------
    ratio, low, high : the ratio and its interval.
    measure : "hazard_ratio", "odds_ratio" or "risk_ratio".
    common : true when more than 15 % of parts fail within the followed time; a hazard or odds
        ratio is then converted to a risk ratio first.

    Returns
    -------
    EValue.

    References
    ----------
    VanderWeele and Ding (2017) Annals of Internal Medicine 167:268.

    Examples
    --------
    >>> e = e_value(3.9, low=1.8, high=8.7)
    >>> round(e.estimate, 2), round(e.limit, 2)
    (7.26, 3.0)
    """
    if measure not in ("hazard_ratio", "odds_ratio", "risk_ratio"):
        raise InputError(
            f"measure must be hazard_ratio, odds_ratio or risk_ratio, but is {measure!r}."
        )
    value = _as_risk_ratio(positive(ratio, "ratio"), measure, common)
    limit = None
    if (low is None) != (high is None):
        raise InputError("give both low and high, or neither.")
    if low is not None and high is not None:
        if not 0 <= low <= ratio <= high:
            raise InputError(f"low <= ratio <= high must hold, but got {low}, {ratio}, {high}.")
        if low <= 1 <= high:
            limit = 1.0
        else:
            near = low if low > 1 else high
            limit = _bound(_as_risk_ratio(near, measure, common))
    return EValue(estimate=_bound(value), limit=limit, risk_ratio=value)


def detectable_hazard_ratio(standard_error: float) -> float:
    """The smallest hazard ratio these records would show in four of five cases.

    Parameters
    ----------
    standard_error : of the log hazard ratio, robust.

    Returns
    -------
    exp(2.80 x standard error): 80 % power at the 5 % level.

    Examples
    --------
    >>> round(detectable_hazard_ratio(0.1), 3)
    1.323
    """
    if not standard_error >= 0:
        raise InputError(f"standard_error must be 0 or more, but is {standard_error}.")
    return float(np.exp(DETECTABLE_MULTIPLE * standard_error))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibrated:
    """An estimate corrected by what the negative controls show where nothing can be.

    All on the log scale: ``log_ratio``, ``standard_error`` after calibration; ``bias`` (mean
    systematic error) with ``bias_error``, its standard error, and ``bias_spread`` (its standard
    deviation from part to part; 0 with one control, which cannot show it); ``controls``.
    """

    log_ratio: float
    standard_error: float
    bias: float
    bias_error: float
    bias_spread: float
    controls: int

    @property
    def ratio(self) -> float:
        """The calibrated ratio."""
        return float(np.exp(self.log_ratio))

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float]:
        """(low, high) of the calibrated ratio."""
        half = normal_quantile(confidence_level) * self.standard_error
        return float(np.exp(self.log_ratio - half)), float(np.exp(self.log_ratio + half))


def _systematic_error(theta: FloatArray, variance: FloatArray) -> tuple[float, float, float]:
    """Maximum likelihood mean, its variance, and standard deviation of the systematic error."""

    def mean_at(tau: float) -> tuple[float, FloatArray]:
        weight = 1 / (variance + tau**2)
        return float(weight @ theta / weight.sum()), weight

    def minus_log_likelihood(tau: float) -> float:
        mean, weight = mean_at(tau)
        return float(0.5 * (weight @ (theta - mean) ** 2 - np.log(weight).sum()))

    spread = 0.0
    if theta.size > 1 and np.ptp(theta) > 0:
        # The likelihood can have its maximum at 0: look on a grid, then refine around the best.
        grid = np.linspace(0.0, 2 * np.ptp(theta), 201)
        best = int(np.argmin([minus_log_likelihood(tau) for tau in grid]))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, 200)]
        found = minimize_scalar(
            minus_log_likelihood, bounds=(low, high), method="bounded", options={"xatol": 1e-12}
        )
        spread = float(found.x)
        if minus_log_likelihood(0.0) <= minus_log_likelihood(spread):
            spread = 0.0
    mean, weight = mean_at(spread)
    return mean, float(1 / weight.sum()), spread


def calibrated_interval(
    log_ratio: float,
    *,
    standard_error: float,
    control_log_ratios: ArrayLike,
    control_standard_errors: ArrayLike,
) -> Calibrated:
    """The interval after taking off what shows up even where vents cannot matter.

    Parameters
    ----------
    log_ratio, standard_error : of the part in question.
    control_log_ratios, control_standard_errors : (controls,) of parts that cannot be affected.

    Returns
    -------
    Calibrated: shifted by the mean systematic error and widened by its spread and its own
    uncertainty. With one control: shifted by it, variances added.

    Notes
    -----
    Systematic error is normal over parts; mean and spread by maximum likelihood. The estimate and
    the controls are taken as independent, which is cautious if they share units.

    References
    ----------
    Schuemie et al. (2014) Statistics in Medicine 33:209.

    Examples
    --------
    >>> c = calibrated_interval(0.7, standard_error=0.1, control_log_ratios=[0.2],
    ...                         control_standard_errors=[0.1])
    >>> round(c.log_ratio, 3), round(c.standard_error, 4)
    (0.5, 0.1414)
    """
    theta = np.atleast_1d(np.asarray(control_log_ratios, dtype=float))
    error = np.atleast_1d(np.asarray(control_standard_errors, dtype=float))
    if theta.ndim != 1 or theta.shape != error.shape or not theta.size:
        raise InputError("controls need as many log ratios as standard errors, at least one.")
    if not (np.isfinite(theta).all() and np.isfinite(error).all() and (error > 0).all()):
        raise InputError("control log ratios must be finite and their standard errors above 0.")
    if not (np.isfinite(log_ratio) and np.isfinite(standard_error) and standard_error >= 0):
        raise InputError("log_ratio must be finite and standard_error 0 or more.")
    bias, bias_variance, spread = _systematic_error(theta, error**2)
    return Calibrated(
        log_ratio=float(log_ratio - bias),
        standard_error=float(np.sqrt(standard_error**2 + spread**2 + bias_variance)),
        bias=bias,
        bias_error=float(np.sqrt(bias_variance)),
        bias_spread=spread,
        controls=theta.size,
    )


def control_verdict(interval: tuple[float, float]) -> str:
    """Does a part that vents cannot affect stay quiet, as it should?

    Parameters
    ----------
    interval : (low, high) of the control's hazard ratio.

    Returns
    -------
    "clean" if it lies within 0.8 to 1.25; else "confounding_remains" if it excludes 1; else
    "control_too_small", also where there is no interval.

    Examples
    --------
    >>> control_verdict((0.9, 1.1)), control_verdict((1.1, 1.9)), control_verdict((0.6, 1.9))
    ('clean', 'confounding_remains', 'control_too_small')
    """
    low, high = interval
    if low > high:
        raise InputError(f"interval must be (low, high), but is ({low}, {high}).")
    if CONTROL_LIMITS[0] <= low and high <= CONTROL_LIMITS[1]:
        return "clean"
    if low > 1 or high < 1:
        return "confounding_remains"
    return "control_too_small"
