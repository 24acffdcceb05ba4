"""Fitted lives: how long parts last when their lives follow a known shape.

Everything is fitted on counts by age: each life adds its hazard at failure and its cumulative
hazard between entry and exit, so late entry and lives still running are exact.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.age_counts import AgeCounts
from failstats.estimate.intervals import Interval, on_log_scale
from failstats.estimate.life_families import FAMILIES, Family, family_named
from failstats.estimate.life_refusal import NoFit, exact_poisson_bound
from failstats.estimate.likelihood import (
    Climb,
    CountLikelihood,
    FellOff,
    IntervalLikelihood,
    ShapePenalty,
    climb,
)
from failstats.estimate.profile import profile_at, profile_parameter, wald_at, wald_parameter
from failstats.estimate.stretch import read_only

__all__ = [
    "FEWEST_FAILURES",
    "FEW_FAILURES",
    "FittedLife",
    "NoFit",
    "ShapePenalty",
    "aic_weights",
    "exact_poisson_bound",
    "fit",
    "fit_all",
]

#: Below this many failures nothing is fitted; up to the second number a penalty is used.
FEWEST_FAILURES = 5
FEW_FAILURES = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedLife:
    """A fitted life distribution.

    Attributes
    ----------
    model : the family.
    theta : shape (p,), parameters on the scale fitted: logarithms of the positive ones.
    covariance : shape (p, p), of theta.
    covariance_kind : "model", or "clustered" when lives of one unit were taken together.
    log_likelihood, aic : of the records, without any penalty.
    label : how it was fitted: "maximum likelihood", "few failures" or "penalised".
    """

    refused: ClassVar[bool] = False

    model: str
    theta: np.ndarray
    covariance: np.ndarray
    covariance_kind: str = "model"
    log_likelihood: float
    failures: float
    lives: float
    exposure: float
    label: str
    unit: str
    cause: str | None = None
    penalty: ShapePenalty | None = None
    likelihood: CountLikelihood | IntervalLikelihood

    @property
    def family(self) -> Family:
        """The distribution, for its formulas."""
        return FAMILIES[self.model]

    @property
    def parameters(self) -> dict[str, float]:
        """The fitted parameters by name: shape and scale, mu and sigma, rate, rate and slope."""
        return self.family.values(self.theta)

    @property
    def std_errors(self) -> dict[str, float]:
        """Standard errors of theta (of log parameters where these are positive), by name."""
        errors = np.sqrt(np.diag(self.covariance))
        return dict(zip(self.family.parameter_names, map(float, errors), strict=True))

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 parameters - 2 log-likelihood: lower is better."""
        return 2 * self.theta.size - 2 * self.log_likelihood

    # -- what the curve says ------------------------------------------------------------------

    def cumulative_hazard(self, ages: Any) -> np.ndarray:
        """Failures to expect per position by these ages."""
        asked = np.asarray(ages, dtype=float)
        flat = np.atleast_1d(asked).ravel()
        there = flat > 0
        out = np.zeros(flat.shape)
        out[there] = self.family.cumulative(self.theta, flat[there]).value
        return out.reshape(asked.shape)

    def survival(self, ages: Any, *, given_age: float = 0.0) -> np.ndarray:
        """Share still working at these ages, of parts that reached ``given_age``."""
        gone = self.cumulative_hazard(np.maximum(np.asarray(ages, dtype=float), given_age))
        return np.exp(self.cumulative_hazard(given_age) - gone)

    def hazard(self, ages: Any) -> np.ndarray:
        """Failures per part and ``unit`` at these ages."""
        asked = np.maximum(np.asarray(ages, dtype=float), 1e-300)
        found = self.family.log_hazard(self.theta, np.atleast_1d(asked).ravel()).value
        return np.exp(found).reshape(asked.shape)

    def quantile(self, share_failed: Any) -> Any:
        """The age by which this share has failed (0.1 for B10)."""
        share = np.asarray(share_failed, dtype=float)
        if not ((share > 0) & (share < 1)).all():
            raise InputError(f"share_failed must lie between 0 and 1, not {share_failed}.")
        age = np.asarray(self.family.age_at(self.theta, -np.log1p(-share)))
        return age.item() if age.ndim == 0 else age

    def median(self) -> float:
        """The age by which half have failed."""
        return self.quantile(0.5)

    def mean(self) -> float:
        """Mean life, beyond the records' end too; infinite when the family has none."""
        return self.family.mean(self.theta)

    # -- how sure -----------------------------------------------------------------------------

    def _profiled(self, method: str | None) -> bool:
        if method not in (None, "profile", "normal"):
            raise InputError(f"method must be profile or normal, but {method} was given.")
        if method == "profile" and self.covariance_kind != "model":
            raise InputError(
                "a profile interval treats lives as unrelated, but this fit takes lives of one "
                "unit together.",
                do="ask for method normal.",
            )
        return method == "profile" or (method is None and self.covariance_kind == "model")

    def interval(
        self, confidence_level: float = 0.95, *, method: str | None = None
    ) -> dict[str, Interval]:
        """Interval of each parameter; each remembers its ``method``.

        By profile likelihood; by standard errors on the fitted scale when lives were clustered,
        when ``method="normal"`` is asked for, or when the profile could not be followed.
        """
        out = {}
        for j, name in enumerate(self.family.parameter_names):
            found = None
            if self._profiled(method):
                found = profile_parameter(self, j, confidence_level=confidence_level)
            out[name] = found or wald_parameter(self, j, confidence_level=confidence_level)
        return out

    def quantile_interval(
        self, share_failed: float, *, confidence_level: float = 0.95, method: str | None = None
    ) -> Interval:
        """Interval of the age by which this share has failed."""
        age, hazard = self.quantile(share_failed), float(-np.log1p(-share_failed))
        if not np.isfinite(age):
            return Interval(np.nan, np.inf, "none: the fitted curve never gets there")
        found = None
        if self._profiled(method):
            found = profile_at(
                self, age=age, hazard=hazard, free="age", confidence_level=confidence_level
            )
        return found or wald_at(
            self, age=age, hazard=hazard, free="age", confidence_level=confidence_level
        )

    def survival_interval(
        self, age: float, *, confidence_level: float = 0.95, method: str | None = None
    ) -> Interval:
        """Interval of the share still working at this age."""
        hazard = float(self.cumulative_hazard(age))
        if not hazard > 0:
            return Interval(np.nan, 1.0, "none: the fitted curve is 1 here")
        found = None
        if self._profiled(method):
            found = profile_at(
                self, age=age, hazard=hazard, free="hazard", confidence_level=confidence_level
            )
        found = found or wald_at(
            self, age=age, hazard=hazard, free="hazard", confidence_level=confidence_level
        )
        return Interval(np.exp(-found.high), np.exp(-found.low), found.method)

    def mean_interval(self, confidence_level: float = 0.95) -> Interval | None:
        """Interval of the mean life by the delta method on its logarithm; None when infinite."""
        mean, step = self.mean(), 1e-5
        if not np.isfinite(mean):
            return None
        slope = np.empty(self.theta.size)
        for j in range(self.theta.size):
            up, down = self.theta.copy(), self.theta.copy()
            width = step * np.sqrt(self.covariance[j, j])
            up[j], down[j] = up[j] + width, down[j] - width
            slope[j] = (np.log(self.family.mean(up)) - np.log(self.family.mean(down))) / (2 * width)
        error = mean * np.sqrt(slope @ self.covariance @ slope)
        low, high = on_log_scale(mean, error, confidence_level=confidence_level)
        return Interval(low, high, "delta method, log scale")

    def clustered(self, covariance: np.ndarray) -> FittedLife:
        """The same fit with a covariance that takes lives of one unit together."""
        return replace(self, covariance=read_only(covariance), covariance_kind="clustered")

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe: the fit, its intervals, B10, median and mean."""
        limits = {name: _json_pair(pair) for name, pair in self.interval().items()}
        return {
            "model": self.model,
            "label": self.label,
            "failures": self.failures,
            "lives": self.lives,
            f"exposure_{self.unit}": self.exposure,
            "parameters": self.parameters,
            "parameters_ci": limits,
            "log_likelihood": self.log_likelihood,
            "aic": self.aic,
            f"b10_{self.unit}": _json_number(self.quantile(0.1)),
            "b10_ci": _json_pair(self.quantile_interval(0.1)),
            f"median_{self.unit}": _json_number(self.median()),
            f"mean_{self.unit}": _json_number(self.mean()),
        }

    def table(self) -> Any:
        """One row per parameter, as a pandas data frame."""
        import pandas as pd

        rows = [
            {
                "model": self.model,
                "parameter": name,
                "estimate": self.parameters[name],
                "low": pair.low,
                "high": pair.high,
                "method": pair.method,
            }
            for name, pair in self.interval().items()
        ]
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        said = ", ".join(f"{name} {value:,.4g}" for name, value in self.parameters.items())
        return (
            f"{self.lives:,} lives, {self.failures:,} failures, {self.exposure:,.0f} {self.unit}\n"
            f"{self.model}: {said} ({self.label})\n"
            f"one in ten fails by {self.quantile(0.1):,.0f} {self.unit}, "
            f"half by {self.median():,.0f}"
        )


def _json_number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _json_pair(pair: Iterable[float] | None) -> list[float | None] | None:
    return None if pair is None else [_json_number(v) for v in pair]


def fit(
    table: RiskTable,
    *,
    model: str = "weibull",
    cause: str | None = None,
    penalty: ShapePenalty | None = None,
) -> FittedLife | NoFit:
    """Fit how long parts last, from any mix of failed, running and late-joining lives.

    Parameters
    ----------
    table : the counts.
    model : exponential, weibull, lognormal, loglogistic, gamma or gompertz.
    cause : failures of this cause only; parts that ended otherwise count as left.
    penalty : used when 5 to 20 failed; above that the records speak alone.

    Returns
    -------
    FittedLife; or NoFit, which holds an exact bound of the rate, when fewer than 5 failed or
    the records hold no shape (``refused`` tells them apart).

    Notes
    -----
    The log-likelihood is the sum of failed x log h(age) - ended x H(age) + entered x H(age);
    failures in cell 0 count at ``table.zero_age``.

    Examples
    --------
    >>> lives = RiskTable.from_lives(0, [3, 5, 7, 18, 43, 85], ["wear"] * 6)
    >>> {name: round(x, 3) for name, x in fit(lives).parameters.items()}
    {'shape': 0.894, 'scale': 25.294}
    """
    counts = table.merge_causes() if cause is None else table.only(cause)
    return _fit(table, counts, AgeCounts.of(counts), model, cause, penalty)


def _fit(
    table: RiskTable,
    counts: RiskTable,
    by_age: AgeCounts,
    model: str,
    cause: str | None,
    penalty: ShapePenalty | None,
) -> FittedLife | NoFit:
    family = family_named(model)
    refusal = too_few(counts.failures)
    used = penalty_for(counts.failures, family, penalty)
    likelihood = CountLikelihood(family=family, counts=by_age, penalty=used)
    if refusal is None and not counts.exposure > 0:
        refusal = "nothing was lived under observation"
    found: Climb | str = refusal or best_fit(likelihood, counts.failures / counts.exposure)
    if isinstance(found, str):
        return exact_poisson_bound(table, cause=cause, reason=found, model=model)
    return fitted(
        found,
        likelihood,
        used,
        failures=counts.failures,
        lives=counts.lives,
        exposure=float(counts.exposure),
        unit=table.unit,
        cause=cause,
    )


def fit_all(
    table: RiskTable, *, cause: str | None = None, penalty: ShapePenalty | None = None
) -> dict[str, FittedLife | NoFit]:
    """Fit every family, to see which agrees best: name to fit, in the order of FAMILIES."""
    counts = table.merge_causes() if cause is None else table.only(cause)
    by_age = AgeCounts.of(counts)
    return {name: _fit(table, counts, by_age, name, cause, penalty) for name in FAMILIES}


def aic_weights(
    fits: Mapping[str, FittedLife | NoFit] | Iterable[FittedLife | NoFit],
) -> dict[str, float]:
    """How the evidence is shared among fitted families: weights that add up to 1."""
    held = fits.values() if isinstance(fits, Mapping) else fits
    kept = [one for one in held if isinstance(one, FittedLife)]
    if not kept:
        return {}
    aic = np.array([one.aic for one in kept])
    weight = np.exp(-(aic - aic.min()) / 2)
    return dict(zip([one.model for one in kept], (weight / weight.sum()).tolist(), strict=True))


def too_few(failures: float) -> str | None:
    if failures < FEWEST_FAILURES:
        return f"fewer than {FEWEST_FAILURES} failed, too few for a shape"
    return None


def penalty_for(
    failures: float, family: Family, penalty: ShapePenalty | None
) -> ShapePenalty | None:
    return penalty if failures <= FEW_FAILURES and family.shape_index is not None else None


def best_fit(likelihood: CountLikelihood | IntervalLikelihood, rate: float) -> Climb | str:
    family, reason = likelihood.family, "the fit did not settle"

    def fell_off(theta: np.ndarray) -> str | None:
        return family.out_of_reach(theta, likelihood.span)

    longest = family.longest_step(likelihood.span)
    bands = likelihood.in_bands() if isinstance(likelihood, CountLikelihood) else None
    for start in family.starts(rate, likelihood.span):
        if bands is not None:
            with suppress(FellOff):
                start = climb(bands, start, fell_off=fell_off, longest=longest).theta
        try:
            found = climb(likelihood, start, fell_off=fell_off, longest=longest)
        except FellOff as fall:
            reason = str(fall)
            continue
        return found
    return reason


def fitted(
    found: Climb,
    likelihood: CountLikelihood | IntervalLikelihood,
    penalty: ShapePenalty | None,
    **facts: Any,
) -> FittedLife:
    if penalty is not None:
        label = "penalised"
    else:
        label = "few failures" if facts["failures"] <= FEW_FAILURES else "maximum likelihood"
    return FittedLife(
        model=likelihood.family.name,
        theta=read_only(found.theta),
        covariance=read_only(np.linalg.inv(-found.curvature)),
        log_likelihood=likelihood.plain(found.theta)[0],
        label=label,
        penalty=penalty,
        likelihood=likelihood,
        **facts,
    )
