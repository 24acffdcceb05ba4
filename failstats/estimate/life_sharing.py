"""Families of appliances share strength: thin records lean on the rest, as far as these agree."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from failstats.errors import FitError, InputError
from failstats.estimate.intervals import Interval, normal_quantile
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife, NoFit, ShapePenalty
from failstats.estimate.stretch import read_only

__all__ = ["SharedFamilies", "between_variance", "shrink_families"]

#: Places at which the spread between families is weighed; 100 give the same four digits.
SPREADS = 400
#: Level at which a mixture of normal curves is given the standard error of one normal curve.
MATCHED_AT = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedFamilies:
    """Fits of several families of appliances, each drawn towards their common centre.

    Attributes
    ----------
    names : length k; families too thin for a fit of their own stand at the centre.
    theta : shape (k, p), parameters after sharing, on the scale fitted.
    std_error : shape (k, p); what is not known of the centre and of the spread between
        families is in it.
    own_weight : shape (k, p), how much of its own record speaks, 0 to 1.
    centre, centre_error : shape (p,), the common mean and its standard error.
    between : shape (p,), the most likely variance between families (restricted likelihood).
    next_error : shape (p,), how far a family of which nothing is known may lie from the centre.
    """

    model: str
    names: tuple[Hashable, ...]
    theta: np.ndarray
    std_error: np.ndarray
    own_weight: np.ndarray
    centre: np.ndarray
    centre_error: np.ndarray
    between: np.ndarray
    next_error: np.ndarray

    def parameters(self, name: Hashable) -> dict[str, float]:
        """The shared parameters of one family of appliances."""
        return FAMILIES[self.model].values(self.theta[self._row(name)])

    def interval(self, name: Hashable, *, confidence_level: float = 0.95) -> dict[str, Interval]:
        """Interval of each parameter of one family of appliances."""
        row, family = self._row(name), FAMILIES[self.model]
        half = normal_quantile(confidence_level) * self.std_error[row]
        out = {}
        for j, word in enumerate(family.parameter_names):
            ends = np.array([self.theta[row, j] - half[j], self.theta[row, j] + half[j]])
            low, high = np.exp(ends) if family.positive[j] else ends
            out[word] = Interval(low, high, "shared, normal")
        return out

    def shape_penalty(self) -> ShapePenalty:
        """The centre and spread of log shape, for fitting a thin record by itself.

        The variance holds the doubt about centre and spread: with few families it is wide.
        """
        family = FAMILIES[self.model]
        at = family.shape_index
        if at is None:
            raise InputError(f"the {self.model} family has no shape.")
        return ShapePenalty(
            centre=float(family.shape_sign * self.centre[at]),
            variance=float(self.next_error[at] ** 2),
        )

    def _row(self, name: Hashable) -> int:
        if name not in self.names:
            raise InputError(f"name must be one of {', '.join(map(str, self.names))}, not {name}.")
        return self.names.index(name)


def between_variance(estimates: np.ndarray, *, variances: np.ndarray) -> float:
    """How much families truly differ, beyond what chance makes of it (restricted likelihood).

    Parameters
    ----------
    estimates, variances : shape (k,), k at least 2.

    Notes
    -----
    Fisher scoring from the method-of-moments value (DerSimonian and Laird 1986); 0 at least.
    """
    y, v = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    if y.size < 2 or y.shape != v.shape or not (v > 0).all():
        raise InputError("a variance between families needs two estimates or more, with variances.")
    w = 1 / v
    mean = (w @ y) / w.sum()
    tau2 = max(0.0, float((w @ (y - mean) ** 2 - (y.size - 1)) / (w.sum() - (w @ w) / w.sum())))
    for _ in range(500):
        w = 1 / (v + tau2)
        mean = (w @ y) / w.sum()
        p_y = w * (y - mean)
        trace = w.sum() - (w @ w) / w.sum()
        twice = (w @ w) - 2 * (w**3).sum() / w.sum() + ((w @ w) / w.sum()) ** 2
        step = float((p_y @ p_y - trace) / twice)
        fresh = max(0.0, tau2 + step)
        if abs(fresh - tau2) <= 1e-12 * max(1.0, tau2):
            return fresh
        tau2 = fresh
    return tau2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spreads:
    """One parameter under every spread between families: shape (SPREADS,), weights add to 1."""

    weight: np.ndarray
    variance: np.ndarray
    centre: np.ndarray
    centre_variance: np.ndarray

    @classmethod
    def of(cls, y: np.ndarray, v: np.ndarray) -> _Spreads:
        """Weighed by the restricted likelihood, every standard deviation alike beforehand."""
        part = (np.arange(SPREADS) + 0.5) / SPREADS
        unit = np.ptp(y) + np.sqrt(np.median(v))
        tau2 = (unit * part / (1 - part)) ** 2  # from 0 to far beyond what the records hold
        w = 1 / (v + tau2[:, None])
        total = w.sum(axis=1)
        centre = (w @ y) / total
        log_likelihood = 0.5 * (
            np.log(w).sum(axis=1) - np.log(total) - (w * (y - centre[:, None]) ** 2).sum(axis=1)
        )
        weight = np.exp(log_likelihood - log_likelihood.max()) / (1 - part) ** 2
        return cls(
            weight=weight / weight.sum(), variance=tau2, centre=centre, centre_variance=1 / total
        )

    def matched(self, variance: np.ndarray) -> float:
        """Standard error of the normal curve as wide as the mixture about the centre."""
        deviation = np.sqrt(variance)
        tail = (1 - MATCHED_AT) / 2

        def below(value: float) -> float:
            return float(self.weight @ ndtr((value - self.centre) / deviation))

        middle, reach = float(self.weight @ self.centre), float(deviation.max())
        ends = [
            brentq(lambda x, share=share: below(x) - share, middle - 9 * reach, middle + 9 * reach)
            for share in (tail, 1 - tail)
        ]
        return (ends[1] - ends[0]) / (2 * normal_quantile(MATCHED_AT))

    def of_family(self, y: float, v: float) -> tuple[float, float, float]:
        """A fitted family's shared value, its standard error, and the weight of its own record."""
        own = self.variance / (self.variance + v)
        value = own * y + (1 - own) * self.centre
        spread = own * v + (1 - own) ** 2 * self.centre_variance
        mean = float(self.weight @ value)
        error = np.sqrt(self.weight @ (spread + (value - mean) ** 2))
        return mean, float(error), float(self.weight @ own)


def shrink_families(fits: Mapping[Any, FittedLife | NoFit]) -> SharedFamilies:
    """Draw the fits of several families of appliances together, as far as they agree.

    Parameters
    ----------
    fits : for each family of appliances its fit, all of one model and unit. Families without a
        fit of their own get the centre, with the spread between families in their error.

    Raises
    ------
    FitError
        With fewer than three fitted families: nothing can be said of how they differ.

    Notes
    -----
    Normal-normal empirical Bayes, each parameter by itself on the scale fitted (log scale, log
    shape). The spread between families is not taken as known: its restricted likelihood is
    integrated over, with every standard deviation alike beforehand (Gelman 2006, from memory).
    With the most likely spread put in its place, 95 % intervals of a thin family's shape held
    the truth in 90 of 100 simulated companies. Penalised fits are already drawn in and are refused.
    """
    names = tuple(fits)
    own = [fit for fit in fits.values() if isinstance(fit, FittedLife)]
    if len(own) < 3:
        raise FitError(
            f"sharing needs three fitted families or more, but {len(own)} are.",
            do="fit all families together instead.",
        )
    if len({(fit.model, fit.unit) for fit in own}) != 1:
        raise InputError("all fits must be of one model and one unit of age.")
    if any(fit.penalty is not None for fit in own):
        raise InputError(
            "penalised fits already lean on the pooled shape.", do="give fits without penalty."
        )
    y = np.array([fit.theta for fit in own])
    v = np.array([np.diag(fit.covariance) for fit in own])
    p = y.shape[1]
    spreads = [_Spreads.of(y[:, j], v[:, j]) for j in range(p)]
    centre = np.array([one.weight @ one.centre for one in spreads])
    next_error = np.array([one.matched(one.variance + one.centre_variance) for one in spreads])
    theta, error = np.tile(centre, (len(names), 1)), np.tile(next_error, (len(names), 1))
    weight = np.zeros_like(theta)
    row_of = {id(fit): i for i, fit in enumerate(own)}
    for k, fit in enumerate(fits.values()):
        if isinstance(fit, FittedLife):
            i = row_of[id(fit)]
            found = [one.of_family(y[i, j], v[i, j]) for j, one in enumerate(spreads)]
            theta[k], error[k], weight[k] = np.array(found).T
    return SharedFamilies(
        model=own[0].model,
        names=names,
        theta=read_only(theta),
        std_error=read_only(error),
        own_weight=read_only(weight),
        centre=read_only(centre),
        centre_error=read_only(np.array([one.matched(one.centre_variance) for one in spreads])),
        between=read_only(
            np.array([between_variance(y[:, j], variances=v[:, j]) for j in range(p)])
        ),
        next_error=read_only(next_error),
    )
