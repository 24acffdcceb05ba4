"""The shapes a life distribution may take, with the derivatives that fitting needs.

Every family works on ``theta``, the parameters on the scale they are fitted on: logarithms of
the positive ones, the others as they are. ``t`` is an array of ages above 0.
Weibull is S(t) = exp(-(t / scale) ** shape).
"""

from __future__ import annotations

import math
from abc import abstractmethod

import numpy as np
from scipy.special import expit, gammaln, log_ndtr, ndtri_exp

from failstats.errors import InputError
from failstats.estimate.age_counts import AgeCounts
from failstats.estimate.life_family import LONGEST_STEP, Evaluation, Family, Parts
from failstats.estimate.life_gamma import Gamma

__all__ = ["FAMILIES", "Family", "LogLocationScale", "Parts", "family_named"]


class LogLocationScale(Family):
    """Families in which z = (log t - mu) / sigma has one distribution.

    log_hazard_terms : (constant, linear, quadratic, multiple of H) of log h(z) for one of z.
    """

    scale_index = 1
    shape_index = 0
    log_hazard_terms: tuple[float, float, float, float]

    def _standard(self, theta: np.ndarray) -> tuple[float, float, np.ndarray]:
        """mu, log sigma, and the matrix d(mu, log sigma) / d theta: (log shape, log scale)."""
        return theta[1], -theta[0], np.array([[0.0, 1.0], [-1.0, 0.0]])

    @abstractmethod
    def hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """H(z) and its first two derivatives."""

    @abstractmethod
    def log_hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """log h(z) and its first two derivatives."""

    @abstractmethod
    def z_at(self, hazard: np.ndarray) -> np.ndarray:
        """The z at which H(z) = hazard."""

    def _chain(
        self, f: tuple[np.ndarray, np.ndarray, np.ndarray], z: np.ndarray, theta: np.ndarray
    ) -> Parts:
        _, log_sigma, turn = self._standard(theta)
        sigma = np.exp(log_sigma)
        value, slope, bend = f
        with np.errstate(invalid="ignore"):
            first = np.array([-slope / sigma, -z * slope])
            mixed = bend * z / sigma + slope / sigma
            second = np.array([[bend / sigma**2, mixed], [mixed, bend * z * z + slope * z]])
        both = (turn[:, None, :, None] * turn[None, :, None, :]).reshape(4, 4).T
        return Parts(value, turn.T @ first, (both @ second.reshape(4, -1)).reshape(2, 2, -1))

    def _z(self, theta: np.ndarray, t: np.ndarray) -> np.ndarray:
        mu, log_sigma, _ = self._standard(theta)
        return (np.log(t) - mu) * np.exp(-log_sigma)

    def cumulative(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        z = self._z(theta, t)
        return self._chain(self.hazard_by_z(z), z, theta)

    def log_hazard(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        z = self._z(theta, t)
        parts = self._chain(self.log_hazard_by_z(z), z, theta)
        _, log_sigma, turn = self._standard(theta)
        parts.first[:] -= turn[1][:, None]  # the - log sigma term
        return parts._replace(value=parts.value - log_sigma - np.log(t))

    def log_likelihood(self, theta: np.ndarray, counts: AgeCounts) -> Evaluation:
        mu, log_sigma, turn = self._standard(theta)
        level, linear, square, shared = self.log_hazard_terms
        sharp, failed, number = np.exp(-log_sigma), counts.failed, counts.failures
        z = (counts.log_age - mu) * sharp
        value, slope, bend = self.hazard_by_z(z)
        weight = counts.weight if shared == 0 else counts.weight - shared * failed
        by_z = weight * z
        one, two = float(failed @ z), float((failed * z) @ z) if square else 0.0
        down, leaning, turning = weight @ slope, by_z @ slope, by_z @ bend
        total = number * (level - log_sigma) + linear * one + square * two
        first = np.array(
            [
                sharp * (down - linear * number - 2 * square * one),
                leaning - number - linear * one - 2 * square * two,
            ]
        )
        mixed = sharp * (linear * number + 4 * square * one - turning - down)
        second = np.array(
            [
                [sharp * sharp * (2 * square * number - weight @ bend), mixed],
                [mixed, linear * one + 4 * square * two - (by_z * z) @ bend - leaning],
            ]
        )
        return (
            float(total - counts.failed_log_ages - weight @ value),
            turn.T @ first,
            turn.T @ second @ turn,
        )

    def age_at(self, theta: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        mu, log_sigma, _ = self._standard(theta)
        with np.errstate(over="ignore"):
            return np.exp(mu + np.exp(log_sigma) * self.z_at(np.asarray(hazard, dtype=float)))

    def locate(self, theta: np.ndarray, t: float, hazard: float) -> np.ndarray:
        _, log_sigma, _ = self._standard(theta)
        moved = np.array(theta, dtype=float)
        z = float(self.z_at(np.asarray(hazard, dtype=float)))
        moved[self.scale_index] = np.log(t) - np.exp(log_sigma) * z
        return moved

    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        return [np.array([np.log(shape), -np.log(rate)]) for shape in (1.0, 2.5, 0.6)]


class Weibull(LogLocationScale):
    """S(t) = exp(-(t / scale) ** shape)."""

    name = "weibull"
    parameter_names = ("shape", "scale")
    positive = (True, True)
    log_hazard_terms = (0.0, 1.0, 0.0, 0.0)

    def hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        h = np.exp(z)
        return h, h, h

    def log_hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return z, np.ones_like(z), np.zeros_like(z)

    def z_at(self, hazard: np.ndarray) -> np.ndarray:
        return np.log(hazard)

    def mean(self, theta: np.ndarray) -> float:
        return float(np.exp(theta[1] + gammaln(1 + np.exp(-theta[0]))))


class Loglogistic(LogLocationScale):
    """S(t) = 1 / (1 + (t / scale) ** shape)."""

    name = "loglogistic"
    parameter_names = ("shape", "scale")
    positive = (True, True)
    log_hazard_terms = (0.0, 1.0, 0.0, -1.0)

    def hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        near = np.exp(-np.abs(z))
        share = 1 / (1 + near)
        g = np.where(z >= 0, share, near * share)
        return np.maximum(z, 0.0) + np.log1p(near), g, near * share * share

    def log_hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return -np.logaddexp(0.0, -z), expit(-z), -expit(z) * expit(-z)

    def z_at(self, hazard: np.ndarray) -> np.ndarray:
        hazard = np.asarray(hazard, dtype=float)
        return hazard + np.log(-np.expm1(-hazard))

    def mean(self, theta: np.ndarray) -> float:
        if theta[0] <= 0:
            return float("inf")
        inverse = np.pi * np.exp(-theta[0])
        return float(np.exp(theta[1]) * inverse / np.sin(inverse))


class Lognormal(LogLocationScale):
    """log t is normal with mean mu and standard deviation sigma."""

    name = "lognormal"
    parameter_names = ("mu", "sigma")
    positive = (False, True)
    scale_index = 0
    shape_index = 1
    shape_sign = -1.0
    log_hazard_terms = (-0.5 * float(np.log(2 * np.pi)), 0.0, -0.5, 1.0)

    def _standard(self, theta: np.ndarray) -> tuple[float, float, np.ndarray]:
        return theta[0], theta[1], np.eye(2)

    @staticmethod
    def _tail(z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """log S(z), log h(z) and h(z)."""
        tail = log_ndtr(-z)
        log_h = -0.5 * z * z - 0.5 * np.log(2 * np.pi) - tail
        return tail, log_h, np.exp(log_h)

    def hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        tail, _, g = self._tail(z)
        return -tail, g, g * (g - z)

    def log_hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        _, log_g, g = self._tail(z)
        return log_g, g - z, g * (g - z) - 1

    def log_density(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        z = self._z(theta, t)
        value = -0.5 * z * z - 0.5 * np.log(2 * np.pi)
        parts = self._chain((value, -z, -np.ones_like(z)), z, theta)
        parts.first[1] -= 1.0  # the - log sigma term
        return parts._replace(value=parts.value - theta[1] - np.log(t))

    def z_at(self, hazard: np.ndarray) -> np.ndarray:
        return -ndtri_exp(-np.asarray(hazard, dtype=float))

    def mean(self, theta: np.ndarray) -> float:
        return float(np.exp(theta[0] + 0.5 * np.exp(2 * theta[1])))

    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        return [np.array([-np.log(rate), np.log(sigma)]) for sigma in (1.0, 0.4, 2.0)]


class Exponential(Family):
    """S(t) = exp(-rate t): parts fail by chance, an old one is as good as a new one."""

    name = "exponential"
    parameter_names = ("rate",)
    positive = (True,)
    scale_index = 0

    def cumulative(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        h = np.exp(theta[0]) * t
        return Parts(h, h[None, :], h[None, None, :])

    def log_hazard(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        one = np.ones_like(t)
        return Parts(theta[0] * one, one[None, :], np.zeros((1, 1, t.size)))

    def log_likelihood(self, theta: np.ndarray, counts: AgeCounts) -> Evaluation:
        due = float(np.exp(theta[0])) * counts.exposure
        number = counts.failures
        value = number * float(theta[0]) - due
        return value, np.array([number - due]), np.array([[-due]])

    def age_at(self, theta: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        return np.asarray(hazard, dtype=float) / np.exp(theta[0])

    def locate(self, theta: np.ndarray, t: float, hazard: float) -> np.ndarray:
        return np.array([np.log(hazard / t)])

    def mean(self, theta: np.ndarray) -> float:
        return float(np.exp(-theta[0]))

    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        return [np.array([np.log(rate)])]


#: Below this |slope x t| the integrals come from a series of so many terms (rest below 1e-17).
GROWTH_NEAR = 0.3
GROWTH_TERMS = 12


class Gompertz(Family):
    """h(t) = rate exp(slope t); a slope below 0 leaves some parts that never fail."""

    name = "gompertz"
    parameter_names = ("rate", "slope")
    positive = (True, False)
    scale_index = 0

    @staticmethod
    def _growth(slope: float, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Integrals from 0 to t of exp(slope u), u exp(slope u) and u**2 exp(slope u)."""
        x = slope * t
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            top = np.exp(x)
            one = np.expm1(x) / x
            two = (top - one) / x
            three = (top - 2 * two) / x
        near = np.abs(x) < GROWTH_NEAR
        if near.any():
            # The last by its series sum x**j / (j! (j + 3)); the others by parts, downwards,
            # which loses nothing near 0 (upwards divides rounding by x).
            small = x[near]
            series, factorial = np.zeros_like(small), float(math.factorial(GROWTH_TERMS))
            for j in range(GROWTH_TERMS, -1, -1):
                series = series * small + 1 / (factorial * (j + 3))
                factorial /= max(j, 1)
            three[near] = series
            two[near] = (top[near] - small * series) / 2
            one[near] = top[near] - small * two[near]
        square = t * t
        return one * t, two * square, three * square * t

    def cumulative(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        rate = np.exp(theta[0])
        zero, one, two = (rate * g for g in self._growth(theta[1], t))
        return Parts(zero, np.array([zero, one]), np.array([[zero, one], [one, two]]))

    def log_hazard(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        value = theta[0] + theta[1] * t
        return Parts(value, np.array([np.ones_like(t), t]), np.zeros((2, 2, t.size)))

    def log_likelihood(self, theta: np.ndarray, counts: AgeCounts) -> Evaluation:
        rate, number, ages = float(np.exp(theta[0])), counts.failures, counts.failed_ages
        growth = self._growth(float(theta[1]), counts.age)
        zero, one, two = (rate * float(counts.weight @ part) for part in growth)
        value = number * float(theta[0]) + float(theta[1]) * ages - zero
        return value, np.array([number - zero, ages - one]), -np.array([[zero, one], [one, two]])

    def age_at(self, theta: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        need = np.asarray(hazard, dtype=float) / np.exp(theta[0])
        slope = theta[1]
        if slope == 0:
            return need
        with np.errstate(invalid="ignore", divide="ignore"):
            age = np.log1p(slope * need) / slope
        return np.where(slope * need > -1, age, np.inf)

    def locate(self, theta: np.ndarray, t: float, hazard: float) -> np.ndarray:
        growth = self._growth(theta[1], np.array([float(t)]))[0][0]
        return np.array([np.log(hazard) - np.log(growth), theta[1]])

    def mean(self, theta: np.ndarray) -> float:
        if theta[1] < 0:
            return float("inf")
        from scipy.integrate import quad

        scale = float(np.exp(-theta[0]))  # mean life if the hazard stayed as it is at birth

        def still_working(u: float) -> float:
            age = np.array([max(u, 1e-300) * scale])
            return float(np.exp(-self.cumulative(theta, age).value[0]))

        return scale * quad(still_working, 0, np.inf, epsabs=0, epsrel=1e-10, limit=200)[0]

    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        return [np.array([np.log(rate) - s / 2, s / span]) for s in (0.0, 2.0, -1.0)]

    def longest_step(self, span: float) -> float | np.ndarray:
        # the slope is per unit of age, so that its step must not depend on the unit
        return np.array([LONGEST_STEP, 10.0 / span])

    def out_of_reach(self, theta: np.ndarray, span: float) -> str | None:
        if theta[1] * span > 500:
            return "the failures lie so close together that no slope fits them"
        if theta[1] * span < -500:
            return "the records do not hold the slope: all failures come at once, early"
        return None


FAMILIES: dict[str, Family] = {
    family.name: family
    for family in (Exponential(), Weibull(), Lognormal(), Loglogistic(), Gamma(), Gompertz())
}


def family_named(model: str) -> Family:
    """The family called ``model``."""
    if model not in FAMILIES:
        raise InputError(f"model must be one of {', '.join(FAMILIES)}, but {model} was given.")
    return FAMILIES[model]
