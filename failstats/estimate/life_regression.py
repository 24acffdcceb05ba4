"""Life under stress: how covariates stretch or shorten a log-location-scale life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.errors import FitError, InputError
from failstats.estimate.intervals import Interval, normal_quantile
from failstats.estimate.life_families import FAMILIES, LogLocationScale
from failstats.estimate.likelihood import Evaluation, FellOff, climb
from failstats.estimate.stretch import read_only

__all__ = ["LifeRegression", "fit_life_regression"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LifeRegression:
    """Log life = intercept + covariates x coefficients + sigma x noise.

    names : the coefficients, intercept first; log sigma is the last entry of ``theta``.
    theta, covariance : shape (q + 1,) and (q + 1, q + 1).
    """

    model: str
    names: tuple[str, ...]
    theta: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    failures: float
    lives: float
    unit: str

    @property
    def coefficients(self) -> dict[str, float]:
        """On log life: exp of one is a time ratio."""
        return dict(zip(self.names, map(float, self.theta[:-1]), strict=True))

    @property
    def sigma(self) -> float:
        """Spread of log life; the Weibull shape is 1 / sigma."""
        return float(np.exp(self.theta[-1]))

    def interval(self, confidence_level: float = 0.95) -> dict[str, Interval]:
        """Interval of each coefficient and of sigma, from standard errors."""
        half = normal_quantile(confidence_level) * np.sqrt(np.diag(self.covariance))
        low, high = self.theta - half, self.theta + half
        out = {name: Interval(low[j], high[j], "normal") for j, name in enumerate(self.names)}
        out["sigma"] = Interval(np.exp(low[-1]), np.exp(high[-1]), "normal, log scale")
        return out

    def log_quantile(self, covariates: Any, *, share_failed: float) -> tuple[float, float]:
        """Log of the age by which this share has failed at these covariates; its standard error."""
        z = float(_family(self.model).z_at(np.asarray(-np.log1p(-share_failed))))
        slope = np.concatenate([[1.0], np.atleast_1d(np.asarray(covariates, float)), [0.0]])
        slope[-1] = self.sigma * z
        value = float(slope[:-1] @ self.theta[:-1] + self.sigma * z)
        return value, float(np.sqrt(slope @ self.covariance @ slope))


def fit_life_regression(
    exit: Any,
    *,
    failed: Any,
    covariates: Any,
    names: Sequence[str],
    entry: Any = None,
    counts: Any = None,
    model: str = "weibull",
    unit: str = "days",
) -> LifeRegression:
    """Fit how covariates such as temperature stretch or shorten a life.

    Parameters
    ----------
    exit : shape (m,), age at failure or when last seen working, above 0.
    failed : shape (m,), whether it failed.
    covariates : shape (m, q) or (m,), one column per name.
    names : length q.
    entry : shape (m,), age at which it came under observation; 0 when absent.
    counts : shape (m,), how many lives each row stands for; 1 when absent.
    model : weibull, lognormal or loglogistic.

    Raises
    ------
    FitError
        When fewer than 5 failed, or the records do not hold the coefficients.
    """
    family = _family(model)
    age, died = np.asarray(exit, dtype=float), np.asarray(failed, dtype=bool)
    columns = np.asarray(covariates, dtype=float).reshape(age.size, -1)
    start = np.zeros(age.size) if entry is None else np.asarray(entry, dtype=float)
    weight = np.ones(age.size) if counts is None else np.asarray(counts, dtype=float)
    wrong = np.flatnonzero(~((age > 0) & (start >= 0) & (start < age) & (weight >= 0)))
    if wrong.size or columns.shape[1] != len(names) or not np.isfinite(columns).all():
        raise InputError(
            "each row needs 0 <= entry < exit, counts not negative, and a finite number for each "
            "named covariate.",
            where="rows " + ", ".join(map(str, wrong[:5])) if wrong.size else "covariates",
            rows=wrong.tolist(),
        )
    failures = float(weight[died].sum())
    if failures < 5 + columns.shape[1]:
        raise FitError(
            f"{columns.shape[1]} covariates need {5 + columns.shape[1]} failures or more, but "
            f"{failures:g} were seen.",
            do="take covariates out.",
        )
    # Centred and scaled columns keep the climb round; the answer is turned back at the end.
    middle = columns.mean(axis=0)
    width = columns.std(axis=0)
    if not (width > 0).all():
        raise FitError("every covariate must vary.", do="take constant covariates out.")
    x = np.column_stack([np.ones(age.size), (columns - middle) / width])
    late = start > 0

    def part(
        f: tuple[np.ndarray, ...], z: np.ndarray, rows: np.ndarray, by: np.ndarray, sigma: float
    ) -> Evaluation:
        value, slope, bend = f
        g_mu, g_tau = -slope / sigma, -z * slope
        mixed = bend * z / sigma + slope / sigma
        gradient = np.append(rows.T @ (by * g_mu), by @ g_tau)
        q = rows.shape[1]
        curvature = np.empty((q + 1, q + 1))
        curvature[:q, :q] = (rows * (by * bend / sigma**2)[:, None]).T @ rows
        curvature[:q, q] = curvature[q, :q] = rows.T @ (by * mixed)
        curvature[q, q] = by @ (bend * z * z + slope * z)
        return float(by @ value), gradient, curvature

    def evaluate(theta: np.ndarray) -> Evaluation:
        sigma = float(np.exp(theta[-1]))
        with np.errstate(all="ignore"):
            mu = x @ theta[:-1]
            z = (np.log(age) - mu) / sigma
            d = weight * died
            pieces = [
                part(family.log_hazard_by_z(z), z, x, d, sigma),
                part(family.hazard_by_z(z), z, x, -weight, sigma),
            ]
            if late.any():
                z0 = (np.log(start[late]) - mu[late]) / sigma
                pieces.append(part(family.hazard_by_z(z0), z0, x[late], weight[late], sigma))
        value, gradient, curvature = (sum(column) for column in zip(*pieces, strict=True))
        gradient[-1] -= d.sum()
        return value - float(d @ (theta[-1] + np.log(age))), gradient, curvature

    rate = failures / float(weight @ (age - start))
    first = np.concatenate([[-np.log(rate)], np.zeros(columns.shape[1]), [0.0]])
    try:
        top = climb(evaluate, first, fell_off=_ran_away)
    except FellOff as fall:
        raise FitError(
            f"the coefficients could not be found: {fall}.", do="take covariates out."
        ) from fall
    turn = np.zeros((first.size, first.size))
    turn[0, 0] = turn[-1, -1] = 1.0
    inner = np.arange(1, first.size - 1)
    turn[inner, inner] = 1 / width
    turn[0, inner] = -middle / width
    return LifeRegression(
        model=model,
        names=("intercept", *names),
        theta=read_only(turn @ top.theta),
        covariance=read_only(turn @ np.linalg.inv(-top.curvature) @ turn.T),
        log_likelihood=top.value,
        failures=failures,
        lives=float(weight.sum()),
        unit=unit,
    )


def _ran_away(theta: np.ndarray) -> str | None:
    return "it runs away" if not -7 < theta[-1] < 7 or np.abs(theta).max() > 1e4 else None


def _family(model: str) -> LogLocationScale:
    family = FAMILIES.get(model)
    if not isinstance(family, LogLocationScale):
        raise InputError(f"model must be weibull, lognormal or loglogistic, not {model}.")
    return family
