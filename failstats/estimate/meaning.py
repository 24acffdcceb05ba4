"""What a hazard ratio means for the shop: failures owed, cleanings needed, life shortened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile

__all__ = [
    "AttributableShare",
    "NumberNeeded",
    "TimeRatio",
    "attributable_share",
    "number_needed",
    "time_ratio",
]


def positive(value: float, name: str) -> float:
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{name} must be a number above 0, but is {value}.")
    return float(value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AttributableShare:
    """Share of failures that would not have happened without the exposure, with its interval;
    ``variance_log`` is that of log(1 - share)."""

    estimate: float
    variance_log: float

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float]:
        """(low, high), made on log(1 - share), so never above 1."""
        half = normal_quantile(confidence_level) * np.sqrt(self.variance_log)
        rest = 1 - self.estimate
        return float(1 - rest * np.exp(half)), float(1 - rest * np.exp(-half))


def attributable_share(
    cases: ArrayLike, *, hazard_ratios: ArrayLike, covariance: ArrayLike | None = None
) -> AttributableShare:
    """What share of the failures is owed to neglect, if the hazard ratios are causal?

    Parameters
    ----------
    cases : (bands,) failures in each band, the reference band included.
    hazard_ratios : (bands,) against the reference band (which has 1).
    covariance : (bands, bands) of the log hazard ratios; zero rows for the reference. Without
        it, only the chance in the case counts enters.

    Returns
    -------
    AttributableShare: sum of p (1 - 1/HR) over bands, p each band's share of the cases. Right
    with adjusted ratios too (the population form with prevalences is not).

    Notes
    -----
    Delta method; case shares multinomial, independent of the hazard ratios.

    References
    ----------
    Miettinen (1974) American Journal of Epidemiology 99:325; Bruzzi et al. (1985) same 122:904
    (pages from memory).

    Examples
    --------
    >>> round(attributable_share([60, 80], hazard_ratios=[1.0, 2.0]).estimate, 6)
    0.285714
    """
    count = np.asarray(cases, dtype=float)
    ratio = np.asarray(hazard_ratios, dtype=float)
    if count.ndim != 1 or count.shape != ratio.shape:
        raise InputError(
            f"cases and hazard_ratios must be of one length, but have {count.shape} and "
            f"{ratio.shape}."
        )
    if not ((count >= 0).all() and count.sum() > 0):
        raise InputError("cases must be 0 or more, with at least one failure.")
    if not (np.isfinite(ratio[count > 0]).all() and (ratio[count > 0] > 0).all()):
        raise InputError("hazard_ratios must be numbers above 0 in every band with failures.")
    size = count.size
    spread = np.zeros((size, size)) if covariance is None else np.asarray(covariance, dtype=float)
    if spread.shape != (size, size):
        raise InputError(f"covariance must have shape {(size, size)}, but has {spread.shape}.")
    used = count > 0
    p, inverse = count[used] / count.sum(), 1 / ratio[used]
    rest = float(p @ inverse)  # 1 - share
    slope = p * inverse
    variance = float(slope @ spread[np.ix_(used, used)] @ slope)
    variance += float(p @ inverse**2 - rest**2) / count.sum()
    return AttributableShare(estimate=1 - rest, variance_log=variance / rest**2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NumberNeeded:
    """How many to treat for one failure avoided (``kind`` "benefit") or caused ("harm").

    ``pieces``: the interval as one or two stretches (kind, low, high); two when the difference
    may be zero, joined at infinity.
    """

    estimate: float
    kind: str
    pieces: tuple[tuple[str, float, float], ...]

    def __str__(self) -> str:
        if len(self.pieces) == 2:
            (first, near, _), (second, far, _) = self.pieces
            words = f"{first} {near:.3g} to infinity to {second} {far:.3g}"
        else:
            kind, low, high = self.pieces[0]
            words = f"{kind} {low:.3g} to {high:.3g}".replace("inf", "infinity")
        whole = f"{self.estimate:.3g}".replace("inf", "infinity")
        return f"{self.kind} {whole} ({words})"


def number_needed(difference: float, *, low: float, high: float) -> NumberNeeded:
    """How many cleanings for one failure avoided, said honestly when it may be none.

    Parameters
    ----------
    difference, low, high : failures avoided per treatment (risk difference), with its interval.

    Returns
    -------
    NumberNeeded. If the interval of the difference includes zero, the number needed runs from
    benefit through infinity to harm, in two pieces.

    References
    ----------
    Altman (1998) BMJ 317:1309.

    Examples
    --------
    >>> print(number_needed(0.10, low=-0.05, high=0.25))
    benefit 10 (benefit 4 to infinity to harm 20)
    """
    if not low <= difference <= high:
        raise InputError(
            f"low <= difference <= high must hold, but got {low}, {difference}, {high}."
        )

    def turned(value: float) -> float:
        return float("inf") if value == 0 else 1 / abs(value)

    kind = "benefit" if difference >= 0 else "harm"
    pieces: tuple[tuple[str, float, float], ...]
    if low < 0 < high:
        pieces = (
            ("benefit", turned(high), float("inf")),
            ("harm", turned(low), float("inf")),
        )
    elif low >= 0:
        pieces = (("benefit", turned(high), turned(low)),)
    else:
        pieces = (("harm", turned(low), turned(high)),)
    return NumberNeeded(estimate=turned(difference), kind=kind, pieces=pieces)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimeRatio:
    """How many times as long a part lasts; ``log_error`` is the standard error of its log."""

    estimate: float
    log_error: float

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float]:
        """(low, high)."""
        half = normal_quantile(confidence_level) * self.log_error
        return float(self.estimate * np.exp(-half)), float(self.estimate * np.exp(half))


def time_ratio(
    hazard_ratio: float,
    *,
    shape: float,
    log_ratio_error: float = 0.0,
    shape_error: float = 0.0,
    covariance: float = 0.0,
) -> TimeRatio:
    """A part behind a neglected vent lasts how many times as long?

    Parameters
    ----------
    hazard_ratio : for exposure that is constant since birth.
    shape : Weibull shape of the part, S(t) = exp(-(t/scale)**shape).
    log_ratio_error, shape_error : standard errors of log hazard ratio and of shape.
    covariance : between log hazard ratio and shape (0 when from separate fits).

    Returns
    -------
    TimeRatio: hazard_ratio ** (-1 / shape); interval by the delta method on the log scale.

    Examples
    --------
    >>> time_ratio(4.0, shape=2.0).estimate
    0.5
    """
    log_ratio = float(np.log(positive(hazard_ratio, "hazard_ratio")))
    k = positive(shape, "shape")
    if not (log_ratio_error >= 0 and shape_error >= 0):
        raise InputError("standard errors must be 0 or more.")
    slopes = np.array([-1 / k, log_ratio / k**2])
    spread = np.array([[log_ratio_error**2, covariance], [covariance, shape_error**2]], dtype=float)
    return TimeRatio(
        estimate=float(np.exp(-log_ratio / k)),
        log_error=float(np.sqrt(max(slopes @ spread @ slopes, 0.0))),
    )
