"""How well a fitted life agrees with the counts, and the climb to the best agreement.

Internal to ``life_models`` and ``life_intervals``: what a family says about ages becomes one
number with its gradient and curvature, and Newton steps find its top.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.estimate.age_counts import AgeCounts
from failstats.estimate.life_family import LONGEST_STEP, Evaluation, Family

__all__ = [
    "Climb",
    "CountLikelihood",
    "Evaluation",
    "FellOff",
    "IntervalLikelihood",
    "ShapePenalty",
    "climb",
]

#: Half the squared distance to the top, in standard errors, at which the climb may stop.
NEWTON_TOLERANCE = 1e-20
#: Below this the log-likelihood cannot tell neighbours apart any more; the gradient still can.
FLAT = 1e-9
MOST_STEPS = 200


class FellOff(Exception):
    """The climb ran away: the records hold no best value. The caller turns it into a refusal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapePenalty:
    """Pulls a thinly supported shape towards that of the same part elsewhere.

    centre : pooled log shape (for the lognormal, minus log sigma).
    variance : how far, squared, the log shape of one stratum may lie from it.
    """

    centre: float
    variance: float

    def add(self, family: Family, theta: np.ndarray, found: Evaluation) -> Evaluation:
        """The evaluation with the penalty in it."""
        at = family.shape_index
        if at is None:
            return found
        value, gradient, curvature = found
        off = family.shape_sign * theta[at] - self.centre
        gradient, curvature = gradient.copy(), curvature.copy()
        gradient[at] -= family.shape_sign * off / self.variance
        curvature[at, at] -= 1 / self.variance
        return value - off * off / (2 * self.variance), gradient, curvature


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountLikelihood:
    """Log-likelihood of lives counted by age: the sum of failed x log h - weight x H."""

    family: Family
    counts: AgeCounts
    penalty: ShapePenalty | None = None

    @classmethod
    def of(
        cls, table: RiskTable, family: Family, penalty: ShapePenalty | None = None
    ) -> CountLikelihood:
        """Take the counts of a risk table, all its causes together; cell 0 fails at zero_age."""
        return cls(family=family, counts=AgeCounts.of(table), penalty=penalty)

    @property
    def span(self) -> float:
        """The longest age."""
        return self.counts.span

    @property
    def zero_age(self) -> float:
        """Where failures in cell 0 stand."""
        return self.counts.zero_age

    def plain(self, theta: np.ndarray) -> Evaluation:
        """Value, gradient and curvature without the penalty."""
        return self.family.log_likelihood(theta, self.counts)

    def in_bands(self) -> CountLikelihood | None:
        """Nearly the same surface from few bands of age, to begin a climb on; None if needless."""
        bands = None if self.penalty is not None else self.counts.in_bands()
        return None if bands is None else replace(self, counts=bands)

    def __call__(self, theta: np.ndarray) -> Evaluation:
        with np.errstate(all="ignore"):
            found = self.plain(theta)
        return found if self.penalty is None else self.penalty.add(self.family, theta, found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IntervalLikelihood:
    """Log-likelihood of failures known to lie in (lower, upper], one entry per row with counts.

    lower == upper: known exactly; upper infinite: still working at lower; entry: first followed.
    """

    family: Family
    lower: np.ndarray
    upper: np.ndarray
    entry: np.ndarray
    counts: np.ndarray
    penalty: ShapePenalty | None = None

    @property
    def span(self) -> float:
        """The longest age."""
        ends = np.concatenate([self.lower, self.upper[np.isfinite(self.upper)]])
        return float(ends.max(initial=0.0)) or 1.0

    def _hazard(self, theta: np.ndarray, ages: np.ndarray) -> tuple[np.ndarray, ...]:
        """Cumulative hazard and derivatives, all 0 at age 0."""
        p = theta.size
        value = np.zeros(ages.size)
        first, second = np.zeros((p, ages.size)), np.zeros((p, p, ages.size))
        there = ages > 0
        parts = self.family.cumulative(theta, ages[there])
        value[there], first[:, there], second[:, :, there] = parts
        return value, first, second

    def plain(self, theta: np.ndarray) -> Evaluation:
        """Value, gradient and curvature without the penalty."""
        p = theta.size
        value, gradient, curvature = 0.0, np.zeros(p), np.zeros((p, p))
        exact = self.lower == self.upper
        between = np.isfinite(self.upper) & ~exact
        for ages, weight in (
            (self.lower, -self.counts),  # all live to lower (exact ones: H at the failure)
            (self.entry, self.counts),
        ):
            h, h1, h2 = self._hazard(theta, ages)
            value += float(weight @ h)
            gradient += h1 @ weight
            curvature += h2 @ weight
        if exact.any():
            weight = self.counts[exact]
            h, h1, h2 = self.family.log_hazard(theta, self.lower[exact])
            value += float(weight @ h)
            gradient += h1 @ weight
            curvature += h2 @ weight
        if between.any():
            weight = self.counts[between]
            a, a1, a2 = self._hazard(theta, self.lower[between])
            b, b1, b2 = self._hazard(theta, self.upper[between])
            d, d1, d2 = b - a, b1 - a1, b2 - a2
            pull = 1 / np.expm1(d)
            value += float(weight @ np.log(-np.expm1(-d)))
            gradient += d1 @ (weight * pull)
            curvature += d2 @ (weight * pull)
            curvature -= (d1 * (weight * pull * (1 + pull))) @ d1.T
        return value, gradient, curvature

    def __call__(self, theta: np.ndarray) -> Evaluation:
        with np.errstate(all="ignore"):
            found = self.plain(theta)
        return found if self.penalty is None else self.penalty.add(self.family, theta, found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Climb:
    """Where the climb ended: theta, the value there, gradient and curvature."""

    theta: np.ndarray
    value: float
    gradient: np.ndarray
    curvature: np.ndarray
    steps: int


def _finite(found: Evaluation) -> bool:
    return bool(
        np.isfinite(found[0]) and np.isfinite(found[1]).all() and np.isfinite(found[2]).all()
    )


def climb(
    evaluate: Callable[[np.ndarray], Evaluation],
    start: np.ndarray,
    *,
    fell_off: Callable[[np.ndarray], str | None] = lambda _: None,
    longest: float | np.ndarray = LONGEST_STEP,
) -> Climb:
    """Newton steps to the top, damped where the surface bends the wrong way, halved on overshoot.

    longest : most that each parameter may change in one step, one number or shape (p,).

    Raises
    ------
    FellOff
        When the surface has no top within reach, or the climb does not settle.
    """
    theta = np.array(start, dtype=float)
    found = evaluate(theta)
    if not _finite(found):
        raise FellOff("no number could be computed at the starting values")
    settled = 0
    for number in range(MOST_STEPS):
        value, gradient, curvature = found
        step, bends_down = _newton_step(gradient, curvature, longest)
        to_go = 0.5 * float(gradient @ step)
        if bends_down and to_go <= NEWTON_TOLERANCE:
            return Climb(
                theta=theta, value=value, gradient=gradient, curvature=curvature, steps=number
            )
        if bends_down and to_go < FLAT * max(1.0, abs(value) * 1e-6):
            # Too close for the value to judge: a few plain Newton steps, then done.
            moved = theta + step
            after = evaluate(moved)
            settled += 1
            if not _finite(after) or settled > 4:
                return Climb(
                    theta=theta, value=value, gradient=gradient, curvature=curvature, steps=number
                )
            theta, found = moved, after
            continue
        length = 1.0
        for _ in range(60):
            moved = theta + length * step
            after = evaluate(moved)
            if (
                _finite(after)
                and after[0] > value - 1e-13 * abs(value)
                and (after[0] > value or length < 1e-6)
            ):
                break
            length *= 0.5
        else:
            raise FellOff("no step led upwards")
        theta, found = moved, after
        reason = fell_off(theta)
        if reason:
            raise FellOff(reason)
    raise FellOff(f"the fit did not settle in {MOST_STEPS} steps")


def _newton_step(
    gradient: np.ndarray, curvature: np.ndarray, longest: float | np.ndarray
) -> tuple[np.ndarray, bool]:
    """The step, none longer than allowed, and whether it leads to the top of a surface bent down.

    A step that was cut short leads nowhere near the top yet, however little it gains.
    """
    size = np.sqrt(np.maximum(np.abs(np.diag(curvature)), 1e-300))
    scaled = -curvature / np.outer(size, size)
    values, vectors = np.linalg.eigh(scaled)
    bends_down = bool(values[0] > 1e-12)
    inside = np.maximum(np.abs(values), 1e-6 if not bends_down else 0.0)
    along = vectors.T @ (gradient / size)
    step = (vectors @ (along / inside)) / size
    share = float((np.abs(step) / longest).max())
    return (step, bends_down) if share <= 1 else (step / share, False)
