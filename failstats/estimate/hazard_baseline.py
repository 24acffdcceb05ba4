"""How fast a part of stated covariates fails at each age: the baseline of the hazard model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate.hazard_fit import CoxFit
from failstats.estimate.read_only import frozen

__all__ = ["BaselineHazard", "baseline_hazard", "running_sum"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BaselineHazard:
    """Failure hazard of a part with the stated covariates, by stratum and age; shape (events,).

    ``hazard`` per event age, ``cumulative`` its running sum within the stratum, ``variance`` that
    of the cumulative hazard.
    """

    stratum: IntArray
    age: IntArray
    hazard: FloatArray
    cumulative: FloatArray
    variance: FloatArray

    def table(self) -> pd.DataFrame:
        """Frame with stratum, age (days), hazard, cumulative, variance, survival."""
        return pd.DataFrame(
            {
                "stratum": self.stratum,
                "age": self.age,
                "hazard": self.hazard,
                "cumulative": self.cumulative,
                "variance": self.variance,
                "survival": np.exp(-self.cumulative),
            }
        )


def running_sum(values: FloatArray, stratum: IntArray) -> FloatArray:
    """Cumulative sum that starts afresh in every stratum (rows sorted by stratum)."""
    total = np.cumsum(values, axis=0)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(stratum) != 0]))
    before = (total - values)[begins]
    counts = np.diff(np.concatenate([begins, [stratum.size]]))
    return total - np.repeat(before, counts, axis=0)


def baseline_hazard(
    fit: CoxFit, table: PatternTable | None = None, *, covariates: ArrayLike | None = None
) -> BaselineHazard:
    """How fast a part of stated covariates fails at each age, per stratum.

    Parameters
    ----------
    fit : a fitted hazard model. table : not needed (the fit carries its sums); if given it must
        hold the same failures.
    covariates : (p,), default all zero; offset zero.

    Returns
    -------
    BaselineHazard.

    Raises
    ------
    FitError : a needed coefficient is not estimable.

    Notes
    -----
    Breslow or Efron steps as in the fit; the variance includes that of the coefficients.

    Examples
    --------
    >>> from failstats.estimate.hazard_fit import cox
    >>> table = PatternTable.from_episodes([0, 0], [3, 5], [1, 1], [0, 0])
    >>> baseline_hazard(cox(table, design=[[1.0]]), covariates=[1.0]).hazard.tolist()
    [0.5, 1.0]
    """
    if table is not None and table.failures != fit.failures:
        raise InputError(
            f"table must be the one fitted, but has {table.failures} failures, not {fit.failures}."
        )
    p = len(fit.names)
    place = np.zeros(p) if covariates is None else np.asarray(covariates, dtype=float)
    if place.shape != (p,):
        raise InputError(f"covariates must have shape ({p},), but have {place.shape}.")
    lost = ~fit.estimable[fit.kept]
    if lost.any():
        raise FitError(
            "the baseline hazard needs finite coefficients, but "
            f"{', '.join(fit.names[k] for k in fit.kept[lost])} could not be estimated.",
            do="merge the level without failures into another.",
        )
    events, away = fit.events, (place - fit.centre)[fit.kept]
    factor = float(np.exp(away @ fit.inner_coefficients - fit.log_scale))
    slope = running_sum(events.hazard_mean - events.hazard[:, None] * away, events.stratum)
    own = running_sum(events.square, events.stratum)
    spread = np.einsum("ek,kl,el->e", slope, fit.inner_covariance, slope)
    hazard = factor * events.hazard
    return BaselineHazard(
        stratum=events.stratum,
        age=events.age,
        hazard=frozen(hazard),
        cumulative=frozen(running_sum(hazard, events.stratum)),
        variance=frozen(factor**2 * (own + spread)),
    )
