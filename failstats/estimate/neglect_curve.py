"""How often a part fails by time since the last vent cleaning, smooth or in bands, with its doubt.

The estimate is kept as it was fitted: coefficients of the log hazard ratio and the logarithm of the
failure rate behind a clean vent, with one covariance of all of them, so that whatever is computed
from the curve can be computed from draws of the whole of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import FitError, InputError
from failstats.estimate.natural_spline import natural_spline
from failstats.estimate.read_only import frozen

__all__ = ["MONTH_DAYS", "NeglectCurve"]

MONTH_DAYS = 365.0 / 12  # as the bands of neglect count months
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeglectCurve:
    """Failures per day of one part, by the time since the vent was last cleaned over its full run.

    Attributes
    ----------
    kind : "smooth", a natural cubic spline of the log hazard ratio with knots at ``months`` (k,);
        or "bands", a level of its own from each of ``months`` (k,) on.
    coefficients : (c,) of the log hazard ratio; c = k - 1 of a spline, k of bands.
    rate_per_day : failures per day, observed behind vents of the reference months.
    reference_months : (r,) the times since a cleaning that the rate is a mean over.
    reference_shares : (r,) share of the days of the reference that were watched at each; sum 1.
    covariance : (c + 1, c + 1) of the coefficients and, last, of the logarithm of the rate.
    watched_months : the longest time since a cleaning with a failure; beyond it the curve is taken
        to stay where it is.

    Raises
    ------
    InputError : shapes that do not fit together. FitError : a figure that is not finite.

    Notes
    -----
    Ratios against any one time (six months, say) and the rate of a year do not belong together:
    rate(m) = rate_per_day HR(m) / mean of HR over the reference, weighted by the days watched, so
    that the mean of the curve over the reference is the rate that was observed.
    """

    kind: Literal["smooth", "bands"]
    months: FloatArray
    coefficients: FloatArray
    rate_per_day: float
    reference_months: FloatArray
    reference_shares: FloatArray
    covariance: FloatArray
    watched_months: float

    def __post_init__(self) -> None:
        for name in ("months", "coefficients", "reference_months", "reference_shares"):
            object.__setattr__(self, name, frozen(np.atleast_1d(getattr(self, name))))
        object.__setattr__(self, "covariance", frozen(np.atleast_2d(self.covariance)))
        width = self.coefficients.size
        if self.kind not in ("smooth", "bands") or self.months.size != width + (
            self.kind == "smooth"
        ):
            raise InputError(
                f"a curve of {self.months.size} months cannot have {width} coefficients.",
                do="a spline has one less than knots, bands have one each.",
            )
        if self.covariance.shape != (width + 1, width + 1):
            raise InputError(
                f"covariance must be {width + 1} by {width + 1}, but has shape "
                f"{self.covariance.shape}.",
                do="give that of the coefficients and, last, of the logarithm of the rate.",
            )
        if self.reference_months.shape != self.reference_shares.shape or not np.isclose(
            self.reference_shares.sum(), 1
        ):
            raise InputError("reference_shares must sum to 1, one for each reference month.")
        figures = (self.coefficients, self.covariance, self.watched_months)
        if not all(np.isfinite(value).all() for value in figures) or not self.rate_per_day > 0:
            raise FitError("a curve of neglect needs finite coefficients and a rate above 0.")

    @property
    def theta(self) -> FloatArray:
        """(c + 1,) the coefficients, and the logarithm of the rate."""
        return np.append(self.coefficients, np.log(self.rate_per_day))

    def draws(self, size: int, *, seed: int | np.random.SeedSequence) -> FloatArray:
        """(size, c + 1) draws of ``theta`` from its multivariate normal: all of it together."""
        rng = np.random.default_rng(seed)
        even = (self.covariance + self.covariance.T) / 2
        return rng.multivariate_normal(self.theta, even, size=size, method="eigh")

    def rates(self, days: ArrayLike, *, theta: ArrayLike | None = None) -> FloatArray:
        """Failures per day so many days after a cleaning.

        Parameters
        ----------
        days : (n,) since the last cleaning. theta : (c + 1,) or (draws, c + 1); default the
            estimate.

        Returns
        -------
        (n,), or (draws, n).

        Examples
        --------
        >>> curve = NeglectCurve(kind="bands", months=[12, 24], coefficients=np.log([2.0, 3.0]),
        ...     rate_per_day=0.001, reference_months=[6], reference_shares=[1],
        ...     covariance=np.zeros((3, 3)), watched_months=24)
        >>> curve.rates([0, 364, 365, 730, 9999]).round(6).tolist()
        [0.001, 0.001, 0.002, 0.003, 0.003]
        """
        given = self.theta if theta is None else np.asarray(theta, dtype=float)
        which = np.atleast_2d(given)
        months = np.minimum(np.asarray(days, dtype=float) / MONTH_DAYS, self.watched_months)
        above = which[:, :-1] @ self._basis(self.reference_months).T
        top = above.max(axis=1, keepdims=True)
        mean = top + np.log(np.exp(above - top) @ self.reference_shares)[:, None]
        log_rate = which[:, -1:] + which[:, :-1] @ self._basis(months).T - mean
        found = np.exp(log_rate)
        return found[0] if given.ndim == 1 else found

    def _basis(self, months: FloatArray) -> FloatArray:
        """(n, c) what each time means to the coefficients."""
        if self.kind == "smooth":
            return natural_spline(months, knots=self.months)
        band = np.searchsorted(self.months, months + 1e-9, side="right")
        return np.vstack([np.zeros(self.months.size), np.eye(self.months.size)])[band]

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers and lists."""
        return {
            "kind": self.kind,
            "months": self.months.tolist(),
            "coefficients": self.coefficients.tolist(),
            "rate_per_day": float(self.rate_per_day),
            "reference_months": self.reference_months.tolist(),
            "reference_shares": self.reference_shares.tolist(),
            "covariance": self.covariance.tolist(),
            "watched_months": float(self.watched_months),
        }

    @classmethod
    def of(cls, given: Mapping[str, Any]) -> NeglectCurve:
        """Back from `to_dict`."""
        return cls(**given)
