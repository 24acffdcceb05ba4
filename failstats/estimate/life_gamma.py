"""The gamma family of life distributions.

``theta`` is (log shape, log scale) and ``t`` an array of ages above 0, as in ``life_families``.
"""

from __future__ import annotations

import numpy as np
from scipy.special import digamma, gammainccinv, gammaincinv, gammaln, zeta
from scipy.special import gammaincc as upper_gamma

from failstats.estimate.age_counts import AgeCounts
from failstats.estimate.life_family import Evaluation, Family, Parts

__all__ = ["Gamma"]

#: Step of the fourth-order differences by log shape: truncation and rounding both near 1e-12.
GAMMA_STEP = 2e-3


class Gamma(Family):
    """Lives are gamma distributed; at single ages derivatives by shape are differences."""

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
        bend, edge = by_shape - k * k * zeta(2.0, k), np.full_like(x, -k)
        return Parts(
            k * np.log(x) - x - gammaln(k) - np.log(t),
            np.array([by_shape, x - k]),
            np.array([[bend, edge], [edge, -x]]),
        )

    def log_likelihood(self, theta: np.ndarray, counts: AgeCounts) -> Evaluation:
        k, log_scale = float(np.exp(theta[0])), float(theta[1])
        tail = counts.tails.at(k, float(np.exp(log_scale)))
        if tail is None:
            return super().log_likelihood(theta, counts)
        number, weight = counts.failures, counts.rest
        # failures: the density, a sum that needs no single age
        logs, ages = counts.failed_log_ages - number * log_scale, counts.failed_ages
        ages *= float(np.exp(-log_scale))
        by_shape = k * logs - number * k * digamma(k)
        bend = by_shape - number * k * k * zeta(2.0, k)  # trigamma
        value = k * logs - ages - number * gammaln(k) - counts.failed_log_ages
        # exits and entries: the tail
        log_x, x = counts.log_age - log_scale, counts.age * float(np.exp(-log_scale))
        slope, hazard = -k * tail.first / tail.value, -np.log(tail.value)
        twice = slope * slope + slope - k * k * tail.second / tail.value
        pull = np.exp(k * log_x - x - gammaln(k) + hazard)  # t h(t)
        drawn = weight * pull
        mixed = -k * number + float(drawn @ (k * log_x - k * digamma(k) + slope))
        edge = -ages + float(drawn @ (x - k - pull))
        return (
            float(value - weight @ hazard),
            np.array([by_shape - weight @ slope, ages - k * number + drawn.sum()]),
            np.array([[bend - weight @ twice, mixed], [mixed, edge]]),
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
