"""Do units differ? Some dryers fail early in every part, others never: what that does to a life.

A gamma frailty multiplies all hazards of one unit. With it, lives of one unit go together, early
failures weed out the weak units, and what a *new* unit will do differs from what parts of the
units still watched do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import digamma, gammaln
from scipy.stats import chi2

from failstats.errors import FitError, InputError
from failstats.estimate.intervals import Interval, normal_quantile
from failstats.estimate.life_models import FEWEST_FAILURES
from failstats.estimate.peak import Peak, Surface, find_peak, profile_interval, wald_interval

__all__ = ["FrailtyCox", "UnitFrailty", "gamma_frailty_cox", "unit_frailty"]

#: Below this variance units are taken as alike: the likelihood there is flat.
LEAST_VARIANCE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lives:
    """Checked columns: code of unit and law per life, ages, failures, counts by unit and law."""

    unit: np.ndarray
    law: np.ndarray
    entry: np.ndarray
    exit: np.ndarray
    failed: np.ndarray
    laws: tuple[str, ...]
    by_unit: np.ndarray
    by_law: np.ndarray
    x: np.ndarray
    whole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitFrailty:
    """Lives of parts in units that differ.

    peak : log shape and log scale of each law in a unit of frailty 1, then the log variance.
    laws : their names. failures : of all laws. units : how many.
    alike : log-likelihood of the same laws when all units are alike.
    """

    peak: Peak
    laws: tuple[str, ...]
    failures: float
    units: int
    alike: float
    lives: _Lives

    @property
    def variance(self) -> float:
        """Variance of the frailty (its mean is 1)."""
        return float(np.exp(self.peak.theta[-1]))

    @property
    def tau(self) -> float:
        """Kendall's tau between two lives of one unit: variance / (variance + 2)."""
        return self.variance / (self.variance + 2)

    @property
    def p_value(self) -> float:
        """Whether units may be alike, after all: likelihood ratio, half of the chance at 0."""
        gain = max(2 * (self.peak.log_likelihood - self.alike), 0.0)
        return float(chi2.sf(gain, 1) / 2) if gain > 0 else 1.0

    def parameters(self, law: str) -> dict[str, float]:
        """Weibull shape and scale of a law in a unit of frailty 1."""
        shape, scale = (
            self.peak.theta[self.peak.at(f"{law} {word}")] for word in ("shape", "scale")
        )
        return {"shape": float(np.exp(shape)), "scale": float(np.exp(scale))}

    def new_unit_survival(self, ages: Any, *, law: str) -> np.ndarray:
        """Share of parts still working at these ages, in units nothing is known about.

        Notes
        -----
        (1 + v H(t))**(-1/v), v the variance: the average over all frailties at installation.
        """
        own = self.parameters(law)
        total = (np.asarray(ages, dtype=float) / own["scale"]) ** own["shape"]
        return np.exp(-np.log1p(self.variance * total) / self.variance)

    def new_unit_interval(
        self, age: float, *, law: str, confidence_level: float = 0.95
    ) -> Interval:
        """Interval of `new_unit_survival` at one age, by the delta method on log(-log S)."""
        places = [self.peak.at(f"{law} shape"), self.peak.at(f"{law} scale"), -1]
        shape, scale, v = np.exp(self.peak.theta[places])
        total = float((age / scale) ** shape)
        grown = v * total
        level = np.log1p(grown) / v  # -log S
        by_total = total / (1 + grown) / level
        slope = np.array(
            [by_total * shape * np.log(age / scale), -by_total * shape, by_total - 1.0]
        )
        at = np.array(places) % self.peak.theta.size
        error = float(np.sqrt(slope @ self.peak.covariance[np.ix_(at, at)] @ slope))
        reach = np.exp(normal_quantile(confidence_level) * error)
        return Interval(
            float(np.exp(-level * reach)), float(np.exp(-level / reach)), "delta method"
        )

    def interval(
        self, name: str = "variance", confidence_level: float = 0.95, *, method: str = "normal"
    ) -> Interval:
        """Interval of "variance", "<law> scale" or "<law> shape"; profile likelihood or by
        standard errors on the log scale."""
        if method == "profile":
            return profile_interval(
                lives_surface(self.lives),
                peak=self.peak,
                name=name,
                confidence_level=confidence_level,
            )
        return wald_interval(self.peak, name, confidence_level=confidence_level)

    def tau_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of tau from that of the variance."""
        low, high = self.interval("variance", confidence_level)
        return Interval(low / (low + 2), high / (high + 2), "from the variance")


def _hazard(theta: np.ndarray, law: np.ndarray, age: np.ndarray) -> tuple[np.ndarray, ...]:
    """H, log H and shape of each life at an age, from (log shape, log scale) per law."""
    shape = np.exp(theta[0::2])[law]
    log_sum = shape * (np.log(np.maximum(age, 1e-9)) - theta[1::2][law])
    return np.exp(log_sum), log_sum, shape


def lives_surface(lives: _Lives) -> Surface:
    """Marginal log-likelihood and slope; theta = (log shape, log scale) per law, the log hazard
    ratio of each covariate, log variance."""
    unit, law, n_units = lives.unit, lives.law, lives.by_unit.size
    laws = len(lives.laws)
    d = lives.by_unit
    log_exit, two = np.log(np.maximum(lives.exit, 0.5)), 2 * len(lives.laws)
    seen_x = lives.x[lives.failed].sum(axis=0)

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(unit, weights=values, minlength=n_units)

    def surface(theta: np.ndarray) -> tuple[float, np.ndarray]:
        v = np.exp(theta[-1])
        lift = lives.x @ theta[two:-1]
        ratio = np.exp(lift)
        out, log_out, shape = _hazard(theta[:two], law, np.maximum(lives.exit, 0.5))
        into, log_into, _ = _hazard(theta[:two], law, lives.entry)
        log_h = np.log(shape) + log_out - log_exit + lift
        out, into = out * ratio, np.where(lives.entry > 0, into * ratio, 0.0)
        log_into = np.where(lives.entry > 0, log_into, 0.0)
        ends, begins = total(out), total(into)
        if lives.whole:  # pieces of lives watched from birth: hazards add up, nothing is given
            ends, begins = ends - begins, np.zeros(n_units)
        value = float(log_h[lives.failed].sum())
        value += float((gammaln(1 / v + d) - gammaln(1 / v) + d * np.log(v)).sum())
        value += float((np.log1p(v * begins) / v - (1 / v + d) * np.log1p(v * ends)).sum())
        pull_out = -(1 + v * d) / (1 + v * ends)
        pull_in = -pull_out if lives.whole else 1 / (1 + v * begins)
        slope = np.zeros(theta.size)
        by_shape = pull_out[unit] * out * log_out + pull_in[unit] * into * log_into
        by_shape += np.where(lives.failed, 1 + log_out, 0.0)
        by_scale = -shape * (pull_out[unit] * out + pull_in[unit] * into)
        by_scale -= np.where(lives.failed, shape, 0.0)
        slope[0:two:2] = np.bincount(law, weights=by_shape, minlength=laws)
        slope[1:two:2] = np.bincount(law, weights=by_scale, minlength=laws)
        slope[two:-1] = seen_x + lives.x.T @ (pull_out[unit] * out + pull_in[unit] * into)
        by_v = (digamma(1 / v) - digamma(1 / v + d)) / v**2 + d / v
        by_v += -np.log1p(v * begins) / v**2 + begins / (v * (1 + v * begins))
        by_v += np.log1p(v * ends) / v**2 - (1 / v + d) * ends / (1 + v * ends)
        slope[-1] = v * float(by_v.sum())
        return value, slope

    return surface


def _alike(surface: Surface) -> Surface:
    """The same with the variance held at almost 0."""

    def fixed(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = surface(np.append(theta, np.log(LEAST_VARIANCE)))
        return value, slope[:-1]

    return fixed


def lives_checked(
    unit: Any,
    law: Any,
    entry: Any,
    exit: Any,
    failed: Any,
    covariates: Any = None,
    whole: bool = False,
) -> _Lives:
    ends = np.asarray(exit, dtype=float)
    begins = np.broadcast_to(np.asarray(entry, dtype=float), ends.shape)
    died = np.asarray(failed, dtype=bool)
    who, what = np.asarray(unit), np.asarray(law)
    if not who.shape == what.shape == ends.shape == died.shape:
        raise InputError("unit, law, exit and failed must be equally long.")
    wrong = ~((begins >= 0) & (ends >= begins) & np.isfinite(ends))
    if wrong.any():
        raise InputError(
            f"entry must be 0 or more and no later than exit; {int(wrong.sum())} lives are not so.",
            rows=np.flatnonzero(wrong).tolist(),
        )
    x = np.zeros((ends.size, 0)) if covariates is None else np.asarray(covariates, dtype=float)
    if x.ndim != 2 or len(x) != ends.size or not np.isfinite(x).all():
        raise InputError(f"covariates must be finite, one row per life, but have shape {x.shape}.")
    _, codes = np.unique(who, return_inverse=True)
    names, kinds = np.unique(what, return_inverse=True)
    return _Lives(
        unit=codes,
        law=kinds,
        entry=begins,
        exit=ends,
        failed=died,
        laws=tuple(map(str, names)),
        by_unit=np.bincount(codes, weights=died),
        by_law=np.bincount(kinds, weights=died),
        x=x,
        whole=whole,
    )


def lives_begin(lives: _Lives) -> tuple[list[str], np.ndarray]:
    """Names of the parameters but for the variance, and where to begin."""
    two = 2 * len(lives.laws)
    names = [f"{name} {word}" for name in lives.laws for word in ("shape", "scale")]
    names += [f"covariate {j + 1}" for j in range(lives.x.shape[1])]
    start = np.zeros(two + lives.x.shape[1])
    days = np.bincount(lives.law, weights=lives.exit - lives.entry)
    start[0:two:2], start[1:two:2] = 0.2, np.log(days / lives.by_law)
    return names, start


def unit_frailty(
    unit: Any, *, law: Any, entry: Any, exit: Any, failed: Any, covariates: Any = None
) -> UnitFrailty:
    """Fit part lives together with how much units differ.

    Parameters
    ----------
    unit : shape (k,), the unit of each life.
    law : shape (k,), its law: the part, or "coil first" and "coil later" to ask whether
        replacements last less than originals.
    entry, exit : shape (k,), ages in days; a life with entry above 0 counts given that it
        survived to there.
    failed : shape (k,), whether it ended in a failure.
    covariates : shape (k, p), what is known to make lives of units differ (use, family): each
        multiplies the hazard; what is left over is the frailty.

    Raises
    ------
    FitError : fewer than 5 failures of a law, or no sign that units differ (the variance runs
        to 0); the fit with all units alike then holds.

    Notes
    -----
    Give units watched from installation (all their lives), or lives conditioned on survival to
    entry; a unit that joined later has lost its weak parts already, unseen, and would make
    units look more alike than they are.
    """
    lives = lives_checked(unit, law, entry, exit, failed, covariates)
    if not lives.laws or lives.by_law.min() < FEWEST_FAILURES:
        raise FitError(f"unit frailty: each law needs at least {FEWEST_FAILURES} failures.")
    surface = lives_surface(lives)
    names, start = lives_begin(lives)
    alike = find_peak(_alike(surface), starts=[start], names=names, what="units alike")
    if surface(np.append(alike.theta, np.log(1e-2)))[0] <= alike.log_likelihood:
        raise FitError(
            "unit frailty: the records show no difference between units beyond chance.",
            do="use the fit with all units alike.",
        )
    peak = find_peak(
        surface,
        starts=[np.append(alike.theta, np.log(v)) for v in (0.1, 0.6)],
        names=[*names, "variance"],
        what="unit frailty",
    )
    return UnitFrailty(
        peak=peak,
        laws=lives.laws,
        failures=float(lives.failed.sum()),
        units=int(lives.by_unit.size),
        alike=alike.log_likelihood,
        lives=lives,
    )


# --- without a law of life ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrailtyCox:
    """Proportional hazards in clusters that differ.

    coefficient : shape (p,). variance : of the gamma frailty. log_likelihood : marginal, with
    the baseline profiled out, up to a constant of the data (see notes of the function).
    """

    coefficient: np.ndarray
    variance: float
    log_likelihood: float


class _Cox:
    """Breslow's partial likelihood with fixed offsets, for the steps of the algorithm."""

    def __init__(self, time: np.ndarray, failed: np.ndarray, x: np.ndarray) -> None:
        self.order = np.argsort(-time, kind="stable")
        self.time, self.failed, self.x = time, failed, x
        t = time[self.order]
        self.last = np.searchsorted(-t, -time, side="right") - 1  # at risk at each row's own time

    def risk(self, weight: np.ndarray) -> np.ndarray:
        """For each row the sum of the weights of all at risk at its time."""
        return np.cumsum(weight[self.order], axis=0)[self.last]

    def fit(self, offset: np.ndarray, beta: np.ndarray) -> np.ndarray:
        for _ in range(50):
            weight = np.exp(self.x @ beta + offset)
            s0 = self.risk(weight)[:, None]
            mean = self.risk(weight[:, None] * self.x) / s0
            outer = self.x[:, :, None] * self.x[:, None, :]
            second = self.risk(weight[:, None, None] * outer) / s0[:, :, None]
            score = (self.x - mean)[self.failed].sum(axis=0)
            information = (second - mean[:, :, None] * mean[:, None, :])[self.failed].sum(axis=0)
            step = np.linalg.solve(information, score)
            beta = beta + step
            if np.abs(step).max() < 1e-11:
                break
        return beta

    def baseline(self, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Cumulative baseline hazard at each row's time, and the jump there per failure."""
        s0 = self.risk(weight)
        jump = np.where(self.failed, 1 / s0, 0.0)
        ahead = np.argsort(self.time, kind="stable")
        running = np.cumsum(jump[ahead])
        upto = np.searchsorted(self.time[ahead], self.time, side="right") - 1
        return running[upto], 1 / s0


def gamma_frailty_cox(
    time: Any, *, failed: Any, covariates: Any, cluster: Any, most_variance: float = 20.0
) -> FrailtyCox:
    """Hazard ratios when the members of a cluster share an unseen weakness, no life law needed.

    Parameters
    ----------
    time, failed : shape (k,). covariates : shape (k, p). cluster : shape (k,).
    most_variance : the largest variance looked at.

    Notes
    -----
    Expectation and maximisation for each variance, the variance by its profile. Ties after
    Breslow. The log-likelihood is that of the data with one baseline jump per failure, plus the
    number of failures: with variance 0 it is Breslow's partial log-likelihood.
    """
    t, died = np.asarray(time, dtype=float), np.asarray(failed, dtype=bool)
    x = np.asarray(covariates, dtype=float).reshape(t.size, -1)
    _, code = np.unique(np.asarray(cluster), return_inverse=True)
    if not t.shape == died.shape == code.shape:
        raise InputError("time, failed and cluster must be equally long.")
    cox = _Cox(t, died, x)
    d = np.bincount(code, weights=died)
    kept = {"beta": cox.fit(np.zeros(t.size), np.zeros(x.shape[1])), "z": np.ones(d.size)}

    def profile(log_variance: float) -> float:
        v = float(np.exp(log_variance))
        beta, z, height = kept["beta"], kept["z"], -np.inf
        for _ in range(2000):
            beta = cox.fit(np.log(z)[code], beta)
            total, jump = cox.baseline(np.exp(x @ beta) * z[code])
            spent = np.bincount(code, weights=total * np.exp(x @ beta))
            z = (1 / v + d) / (1 / v + spent)
            before, height = height, float((np.log(jump) + x @ beta)[died].sum())
            height += float(
                (gammaln(1 / v + d) - gammaln(1 / v) + d * np.log(v)
                 - (1 / v + d) * np.log1p(v * spent)).sum()
            )  # fmt: skip
            if abs(height - before) < 1e-11 * abs(height):
                break
        kept["beta"], kept["z"] = beta, z
        return -(height + float(died.sum()))

    found = minimize_scalar(
        profile, bounds=(np.log(1e-4), np.log(most_variance)), method="bounded",
        options={"xatol": 1e-7},
    )  # fmt: skip
    best = profile(float(found.x))
    beta = np.array(kept["beta"])
    beta.flags.writeable = False
    return FrailtyCox(
        coefficient=beta, variance=float(np.exp(found.x)), log_likelihood=-float(best)
    )
