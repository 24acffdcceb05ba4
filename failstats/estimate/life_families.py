"""The shapes a life distribution may take, with the derivatives that fitting needs.

Every family works on ``theta``, the parameters on the scale they are fitted on: logarithms of
the positive ones, the others as they are. ``t`` is an array of ages above 0.
Weibull is S(t) = exp(-(t / scale) ** shape).
"""

from __future__ import annotations

from abc import abstractmethod

import numpy as np
from scipy.special import (
    digamma,
    expit,
    gammainccinv,
    gammaincinv,
    gammaln,
    log_ndtr,
    ndtri_exp,
    polygamma,
)
from scipy.special import gammaincc as upper_gamma

from failstats.errors import InputError
from failstats.estimate.life_family import Family, Parts

__all__ = ["FAMILIES", "Family", "LogLocationScale", "Parts", "family_named"]


class LogLocationScale(Family):
    """Families in which z = (log t - mu) / sigma has one distribution."""

    scale_index = 1
    shape_index = 0

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

    def hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        g = expit(z)
        return np.logaddexp(0.0, z), g, g * expit(-z)

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

    def _standard(self, theta: np.ndarray) -> tuple[float, float, np.ndarray]:
        return theta[0], theta[1], np.eye(2)

    @staticmethod
    def _mills(z: np.ndarray) -> np.ndarray:
        return np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_ndtr(-z))

    def hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        g = self._mills(z)
        return -log_ndtr(-z), g, g * (g - z)

    def log_hazard_by_z(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        g = self._mills(z)
        log_g = -0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_ndtr(-z)
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

    def age_at(self, theta: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        return np.asarray(hazard, dtype=float) / np.exp(theta[0])

    def locate(self, theta: np.ndarray, t: float, hazard: float) -> np.ndarray:
        return np.array([np.log(hazard / t)])

    def mean(self, theta: np.ndarray) -> float:
        return float(np.exp(-theta[0]))

    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        return [np.array([np.log(rate)])]


#: Step of the fourth-order differences by log shape: truncation and rounding both near 1e-12.
GAMMA_STEP = 2e-3


class Gamma(Family):
    """Lives are gamma distributed; the derivative by shape of its tail is taken by differences."""

    name = "gamma"
    parameter_names = ("shape", "scale")
    positive = (True, True)
    scale_index = 1
    shape_index = 0

    @staticmethod
    def _log_tail(log_shape: float, x: np.ndarray) -> np.ndarray:
        """log of the upper regularised gamma function, also where it underflows."""
        k = np.exp(log_shape)
        tail = upper_gamma(k, x)
        with np.errstate(divide="ignore"):
            value = np.log(tail)
        low = tail < 1e-290
        if low.any():
            far = x[low]
            # Continued fraction (Abramowitz and Stegun 6.5.31), read from its far end.
            fraction = np.zeros_like(far)
            for j in range(200, 0, -1):
                fraction = j * (j - k) / (far + 2 * j + 1 - k - fraction)
            value[low] = k * np.log(far) - far - gammaln(k) - np.log(far + 1 - k - fraction)
        return value

    def cumulative(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        log_k, x, k = theta[0], t * np.exp(-theta[1]), np.exp(theta[0])
        h = GAMMA_STEP
        tails = {j: -self._log_tail(log_k + j * h, x) for j in (-2, -1, 0, 1, 2)}
        by_shape = (8 * (tails[1] - tails[-1]) - (tails[2] - tails[-2])) / (12 * h)
        twice = (-tails[2] + 16 * tails[1] - 30 * tails[0] + 16 * tails[-1] - tails[-2]) / (
            12 * h * h
        )
        with np.errstate(over="ignore"):
            pull = np.exp(k * np.log(x) - x - gammaln(k) + tails[0])  # t h(t)
        first = np.array([by_shape, -pull])
        log_pull_by_shape = k * np.log(x) - k * digamma(k) + by_shape
        log_pull_by_scale = -k + x - pull
        mixed = -pull * log_pull_by_shape
        second = np.array([[twice, mixed], [mixed, -pull * log_pull_by_scale]])
        return Parts(tails[0], first, second)

    def log_density(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        x, k = t * np.exp(-theta[1]), np.exp(theta[0])
        by_shape = k * np.log(x) - k * digamma(k)
        bend, edge = by_shape - k * k * polygamma(1, k), np.full_like(x, -k)
        return Parts(
            k * np.log(x) - x - gammaln(k) - np.log(t),
            np.array([by_shape, x - k]),
            np.array([[bend, edge], [edge, -x]]),
        )

    def log_hazard(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        density, tail = self.log_density(theta, t), self.cumulative(theta, t)
        return Parts(*(one + two for one, two in zip(density, tail, strict=True)))

    @staticmethod
    def _unit_age(log_shape: float, hazard: np.ndarray) -> np.ndarray:
        """The age at scale 1, from whichever tail is the smaller and so the more exact."""
        k, failed, working = np.exp(log_shape), -np.expm1(-hazard), np.exp(-hazard)
        return np.where(hazard < np.log(2), gammaincinv(k, failed), gammainccinv(k, working))

    def age_at(self, theta: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        return np.exp(theta[1]) * self._unit_age(theta[0], np.asarray(hazard, dtype=float))

    def locate(self, theta: np.ndarray, t: float, hazard: float) -> np.ndarray:
        unit = float(self._unit_age(theta[0], np.asarray(hazard, dtype=float)))
        return np.array([theta[0], np.log(t) - np.log(unit)])

    def mean(self, theta: np.ndarray) -> float:
        return float(np.exp(theta[0] + theta[1]))

    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        return [
            np.array([np.log(shape), -np.log(rate) - np.log(shape)]) for shape in (1.0, 3.0, 0.5)
        ]

    def out_of_reach(self, theta: np.ndarray, span: float) -> str | None:
        # The coefficient of variation is shape ** -0.5: allow what the other families allow.
        return super().out_of_reach(np.array([theta[0] / 2, 0.0]), span)


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
        small = np.abs(x) < 0.7
        safe = np.where(small, 1.0, x)
        with np.errstate(over="ignore", invalid="ignore"):
            top = np.exp(safe)
            exact = [
                np.expm1(safe) / safe,
                (top * (safe - 1) + 1) / safe**2,
                (top * (safe * safe - 2 * safe + 2) - 2) / safe**3,
            ]
        near = np.where(small, x, 0.0)
        series = [np.zeros_like(near) for _ in range(3)]
        term = np.ones_like(near)
        for j in range(22):
            for k in range(3):
                series[k] = series[k] + term / (j + k + 1)
            term = term * near / (j + 1)
        one, two, three = (np.where(small, s, e) for s, e in zip(series, exact, strict=True))
        return one * t, two * t**2, three * t**3

    def cumulative(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        rate = np.exp(theta[0])
        zero, one, two = (rate * g for g in self._growth(theta[1], t))
        return Parts(zero, np.array([zero, one]), np.array([[zero, one], [one, two]]))

    def log_hazard(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        value = theta[0] + theta[1] * t
        return Parts(value, np.array([np.ones_like(t), t]), np.zeros((2, 2, t.size)))

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
