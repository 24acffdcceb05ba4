"""What every fitted regression says of its coefficients, logarithms of ratios."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile

__all__ = ["LogRatios", "contrast"]

FloatArray = NDArray[np.float64]


class LogRatios:
    """Log ratios by name with a covariance: standard errors, intervals, ratios, sums.

    names : of the covariates. coefficients : (p,). covariance : (p, p).
    """

    __slots__ = ()

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray

    @property
    def standard_errors(self) -> FloatArray:
        """(p,) standard errors of the log ratios."""
        return np.sqrt(np.diag(self.covariance))

    def interval(self, confidence_level: float = 0.95) -> FloatArray:
        """(p, 2) Wald intervals of the log ratios."""
        half = normal_quantile(confidence_level) * self.standard_errors
        return np.column_stack([self.coefficients - half, self.coefficients + half])

    def hazard_ratio(self, confidence_level: float = 0.95) -> pd.DataFrame:
        """Ratios by name, with low and high; NaN where not estimable."""
        low, high = np.exp(self.interval(confidence_level)).T
        ratio = np.exp(self.coefficients)
        return pd.DataFrame(
            {"hazard_ratio": ratio, "low": low, "high": high}, index=list(self.names)
        )

    def contrast(self, weights: ArrayLike) -> tuple[float, float]:
        """Estimate and standard error of a weighted sum of coefficients."""
        return contrast(weights, self.coefficients, self.covariance)


def contrast(
    weights: ArrayLike, coefficients: FloatArray, covariance: FloatArray
) -> tuple[float, float]:
    """Estimate and standard error of ``weights @ coefficients``; zero weights are skipped."""
    vector = np.asarray(weights, dtype=float)
    if vector.shape != coefficients.shape:
        raise InputError(f"weights must have shape {coefficients.shape}, but have {vector.shape}.")
    used = vector != 0
    short = vector[used]
    variance = short @ covariance[np.ix_(used, used)] @ short
    return float(short @ coefficients[used]), float(np.sqrt(variance))
