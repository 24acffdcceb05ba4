"""What every family of life distributions can say about ages: the interface fitting relies on."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import NamedTuple

import numpy as np

from failstats.estimate.age_counts import AgeCounts

__all__ = ["LONGEST_STEP", "Evaluation", "Family", "Parts"]

#: A positive parameter changes by a factor of at most e**2 in one step of a fit.
LONGEST_STEP = 2.0
#: A log-likelihood, its gradient (p,) and its curvature (p, p).
Evaluation = tuple[float, np.ndarray, np.ndarray]


class Parts(NamedTuple):
    """A function of age with its derivatives by theta.

    value : shape (n,); first : shape (p, n); second : shape (p, p, n).
    """

    value: np.ndarray
    first: np.ndarray
    second: np.ndarray


class Family(ABC):
    """A life distribution with p parameters.

    name, parameter_names : as printed.
    positive : for each parameter, whether theta holds its logarithm.
    scale_index : the parameter that ``locate`` solves for.
    shape_index : the parameter a shape penalty acts on (its sign in ``shape_sign``), or None.
    """

    name: str
    parameter_names: tuple[str, ...]
    positive: tuple[bool, ...]
    scale_index: int
    shape_index: int | None = None
    shape_sign: float = 1.0

    @abstractmethod
    def cumulative(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        """Cumulative hazard H(t) = -log S(t)."""

    @abstractmethod
    def log_hazard(self, theta: np.ndarray, t: np.ndarray) -> Parts:
        """Logarithm of the hazard."""

    def log_density(self, theta: np.ndarray, t: np.ndarray) -> Parts | None:
        """Logarithm of the density, where it is simpler than the hazard; else None."""
        return None

    def log_likelihood(self, theta: np.ndarray, counts: AgeCounts) -> Evaluation:
        """Sum over ages of failed x log h(age) - weight x H(age), with its derivatives.

        Age by age as above; families that can add up first override it, and are tested to agree.
        """
        failed, weight = counts.failed, counts.rest
        there = failed > 0
        at_failure = self.log_density(theta, counts.age[there])
        if at_failure is None:
            at_failure, weight = self.log_hazard(theta, counts.age[there]), counts.weight
        total, failed = self.cumulative(theta, counts.age), failed[there]
        return (
            float(failed @ at_failure.value - weight @ total.value),
            at_failure.first @ failed - total.first @ weight,
            at_failure.second @ failed - total.second @ weight,
        )

    @abstractmethod
    def age_at(self, theta: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        """The age at which the cumulative hazard reaches ``hazard``; infinite if it never does."""

    @abstractmethod
    def locate(self, theta: np.ndarray, t: float, hazard: float) -> np.ndarray:
        """Theta with its scale parameter moved so that H(t) = ``hazard``."""

    @abstractmethod
    def mean(self, theta: np.ndarray) -> float:
        """Mean life; infinite when the distribution has none."""

    @abstractmethod
    def starts(self, rate: float, span: float) -> list[np.ndarray]:
        """Where to begin fitting, given failures per unit of exposure and the longest age."""

    def out_of_reach(self, theta: np.ndarray, span: float) -> str | None:
        """Why theta is no life distribution any more, when a fit has run away; else None."""
        if self.shape_index is None:
            return None
        log_shape = self.shape_sign * theta[self.shape_index]
        if log_shape > np.log(500.0):
            return "the failures lie so close together that no shape fits them"
        if log_shape < np.log(2e-3):
            return "the records do not hold the shape: it runs towards 0"
        return None

    def longest_step(self, span: float) -> float | np.ndarray:
        """Most that a fit may change each of theta at once: a factor of e**2."""
        return LONGEST_STEP

    def values(self, theta: np.ndarray) -> dict[str, float]:
        """The parameters by name, on their own scale."""
        return {
            name: float(np.exp(x)) if positive else float(x)
            for name, x, positive in zip(self.parameter_names, theta, self.positive, strict=True)
        }
