"""Which parts fail together, and more often than they should.

The public face of ``two_by_two`` (one table per pair) and ``stratified_tables`` (one table per
family), with what goes over many of them: q-values, observed against expected, fallible tests.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.intervals import clopper_pearson, normal_quantile, poisson_exact
from failstats.estimate.stratified_tables import (
    Homogeneity,
    MantelHaenszel,
    homogeneity,
    mantel_haenszel,
    stratified_exact,
)
from failstats.estimate.two_by_two import (
    Ratio,
    conditional_odds_ratio,
    fisher_exact,
    lift,
    odds_ratio,
    tables_of,
)

__all__ = [
    "Homogeneity",
    "MantelHaenszel",
    "Ratio",
    "benjamini_hochberg",
    "conditional_odds_ratio",
    "fisher_exact",
    "homogeneity",
    "lift",
    "mantel_haenszel",
    "observed_over_expected",
    "odds_ratio",
    "rate_ratio",
    "rogan_gladen",
    "stratified_exact",
    "stratified_rate_ratio",
    "tables_of",
]

FloatArray = NDArray[np.float64]


def benjamini_hochberg(p_values: ArrayLike) -> FloatArray:
    """q-values: the share of false finds to expect among all pairs at least this surprising.

    Parameters
    ----------
    p_values : any shape; NaN (no test was possible) stays NaN and is not counted.

    Returns
    -------
    q-values, same shape. Reject where q is at most the tolerated share.

    References
    ----------
    Benjamini and Hochberg (1995) JRSS B 57:289.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    p = np.asarray(p_values, dtype=np.float64)
    flat = p.ravel()
    known = ~np.isnan(flat)
    if ((flat[known] < 0) | (flat[known] > 1)).any():
        raise InputError("p_values must lie between 0 and 1.")
    result = np.full(flat.size, np.nan)
    count = int(known.sum())
    if count:
        order = np.argsort(flat[known], kind="stable")
        scaled = flat[known][order] * count / np.arange(1, count + 1)
        adjusted = np.minimum.accumulate(scaled[::-1])[::-1]
        kept = np.empty(count)
        kept[order] = np.minimum(adjusted, 1.0)
        result[known] = kept
    return result.reshape(p.shape)


def observed_over_expected(
    observed: ArrayLike, *, expected: ArrayLike, confidence_level: float = 0.95
) -> Ratio:
    """Did parts fail more often than the background says they should?

    Parameters
    ----------
    observed : failures seen. expected : failures the background predicts, taken as known.

    Returns
    -------
    Ratio, broadcast shape: observed / expected with the exact Poisson interval; NaN where nothing
    was expected.

    References
    ----------
    Ulm (1990) American Journal of Epidemiology 131:373.

    Examples
    --------
    >>> r = observed_over_expected(53, expected=48.62)
    >>> round(float(r.estimate), 2), round(float(r.low), 3), round(float(r.high), 3)
    (1.09, 0.817, 1.426)
    """
    seen, base = np.broadcast_arrays(
        np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    )
    if not ((seen >= 0).all() and (seen == np.floor(seen)).all() and (base >= 0).all()):
        raise InputError("observed must be whole numbers and expected numbers, all 0 or more.")
    low, high = poisson_exact(seen, confidence_level=confidence_level)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [np.where(base > 0, value / base, np.nan) for value in (seen, low, high)]
    return Ratio(estimate=parts[0], low=parts[1], high=parts[2], method="exact Poisson")


def rate_ratio(counts: ArrayLike, *, exposures: ArrayLike, confidence_level: float = 0.95) -> Ratio:
    """How many times more often a part fails per day in one group than in another.

    Parameters
    ----------
    counts : (..., 2) failures in the first and second group. exposures : (..., 2) days lived.

    Returns
    -------
    Ratio, shape (...): first rate over second, with the exact conditional interval; NaN where
    neither group failed, open at 0 or infinity where one did not.

    Notes
    -----
    Given the total, the first count is binomial; Clopper-Pearson limits turned into ratios.

    Examples
    --------
    >>> r = rate_ratio([10, 5], exposures=[1000.0, 1000.0])
    >>> float(r.estimate), round(float(r.low), 3), round(float(r.high), 3)
    (2.0, 0.623, 7.457)
    """
    seen = np.asarray(counts, dtype=np.float64)
    days = np.broadcast_to(np.asarray(exposures, dtype=np.float64), seen.shape)
    if seen.shape[-1:] != (2,) or not ((seen >= 0) & (seen == np.floor(seen))).all():
        raise InputError("counts must be whole numbers of 0 or more, shape (..., 2).")
    if not (np.isfinite(days) & (days > 0)).all():
        raise InputError("exposures must be above 0, shape (..., 2).")
    first, total = seen[..., 0], seen.sum(axis=-1)
    some = total > 0
    low, high = clopper_pearson(
        first, of=np.where(some, total, 1.0), confidence_level=confidence_level
    )
    scale = days[..., 1] / days[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = first / seen[..., 1] * scale
        limits = [np.where(some, x / (1 - x) * scale, np.nan) for x in map(np.asarray, (low, high))]
    return Ratio(estimate=estimate, low=limits[0], high=limits[1], method="exact conditional")


def stratified_rate_ratio(
    counts: ArrayLike, *, exposures: ArrayLike, confidence_level: float = 0.95
) -> Ratio:
    """How many times more often a part fails per day in one group, at the same age.

    Parameters
    ----------
    counts : (strata, 2) failures in the first and second group, such as by year of age.
    exposures : (strata, 2) days lived, 0 or more.

    Returns
    -------
    Ratio of single numbers: Mantel and Haenszel's, first over second; NaN where they cannot be
    compared in any stratum.

    Notes
    -----
    Sum of a T0/T over sum of b T1/T; the interval is normal on the log scale.

    References
    ----------
    Greenland and Robins (1985) Biometrics 41:55 (from memory).

    Examples
    --------
    >>> r = stratified_rate_ratio([[10, 5], [0, 0]], exposures=[[1000.0, 1000.0], [5.0, 0.0]])
    >>> float(r.estimate), round(float(r.low), 3), round(float(r.high), 3)
    (2.0, 0.684, 5.851)
    """
    seen = np.atleast_2d(np.asarray(counts, dtype=np.float64))
    days = np.atleast_2d(np.asarray(exposures, dtype=np.float64))
    if seen.shape != days.shape or seen.shape[-1] != 2:
        raise InputError("counts and exposures must both have the shape (strata, 2).")
    if not ((seen >= 0).all() and (days >= 0).all() and not (seen[days == 0] > 0).any()):
        raise InputError("counts and exposures must be 0 or more; no failure without days lived.")
    total = days.sum(axis=1)
    used = total > 0
    (a, b), (t1, t0), t = seen[used].T, days[used].T, total[used]
    above, below = float((a * t0 / t).sum()), float((b * t1 / t).sum())
    if not above > 0 or not below > 0:
        nothing = np.asarray(np.nan)
        return Ratio(estimate=nothing, low=nothing, high=nothing, method="Mantel-Haenszel")
    spread = np.sqrt(float(((a + b) * t1 * t0 / t**2).sum()) / (above * below))
    reach = normal_quantile(confidence_level) * spread
    ratio = above / below
    return Ratio(
        estimate=np.asarray(ratio),
        low=np.asarray(ratio * np.exp(-reach)),
        high=np.asarray(ratio * np.exp(reach)),
        method="Mantel-Haenszel",
    )


def rogan_gladen(share: ArrayLike, *, sensitivity: float, specificity: float) -> FloatArray:
    """The share of bad parts behind the share that a fallible test calls bad.

    Parameters
    ----------
    share : observed share of positive tests. sensitivity, specificity : of the test.

    Returns
    -------
    True share, cut to 0..1.

    Raises
    ------
    InputError : the test is no better than a coin (sensitivity + specificity at most 1).

    References
    ----------
    Rogan and Gladen (1978) American Journal of Epidemiology 107:71 (from memory).

    Examples
    --------
    >>> float(rogan_gladen(0.40, sensitivity=0.95, specificity=0.80).round(6))
    0.266667
    """
    for name, value in (("sensitivity", sensitivity), ("specificity", specificity)):
        if not 0 <= value <= 1:
            raise InputError(f"{name} must lie between 0 and 1, but is {value}.")
    if sensitivity + specificity <= 1:
        raise InputError(
            "sensitivity + specificity must exceed 1, or the test tells nothing, but they add up "
            f"to {sensitivity + specificity}."
        )
    seen = np.asarray(share, dtype=np.float64)
    if (seen < 0).any() or (seen > 1).any():
        raise InputError("share must lie between 0 and 1.")
    return np.clip((seen + specificity - 1) / (sensitivity + specificity - 1), 0.0, 1.0)
