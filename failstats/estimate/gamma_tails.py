"""The upper tail of the gamma distribution at very many ages at once, with its derivatives.

One look-up of the incomplete gamma function costs as much as a hundred additions, and its
derivatives by shape have no closed form. Here the tail at each age is the tail at the last age
plus the integrals between neighbouring ages: Gauss-Legendre sums of the density, of density x
(log u - digamma) and of its square, which are the derivatives themselves. Every addend of the
tail is positive, so nothing cancels. Error of such sums: Abramowitz and Stegun (1964), 25.4.30.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import digamma, gammaincc, gammaln, zeta

__all__ = ["GammaTails", "Tail"]

#: Nodes between two ages, and beyond the last.
NODES, NODES_BEYOND = 4, 10
#: No stretch is wider than this share of its age: a wider one is cut into equal ratios.
WIDEST = 0.05
#: Most that the log density, per unit of log age, may change over a stretch. Four nodes then err
#: by 0.3**8 (4!)**4 / (9 (8!)**3) = 4e-14 of that stretch.
STEEPEST = 0.3
#: The tail at the first age must agree so well, relatively, with one look-up of the function.
AGREES = 1e-12
#: Beyond so many scales the tail is too small to be added up in double precision.
FARTHEST = 600.0
#: What lies beyond so many standard deviations of the density is nothing (e**-40 and less).
REACH = 45.0

_AT, _WEIGHT = np.polynomial.legendre.leggauss(NODES)
_AT_BEYOND, _WEIGHT_BEYOND = np.polynomial.legendre.leggauss(NODES_BEYOND)


class Tail(NamedTuple):
    """The share still working at each age, and its derivatives by the shape; each shape (n,)."""

    value: np.ndarray
    first: np.ndarray
    second: np.ndarray


class GammaTails:
    """Tails of the gamma distribution at fixed ages, for any shape and scale.

    Parameters
    ----------
    age : shape (n,), above 0 and ascending.

    Notes
    -----
    Derivatives by the shape k of the integral of u**(k-1) exp(-u) / Gamma(k): the density is
    multiplied by log u - digamma(k), and for the second by its square minus trigamma(k).
    """

    def __init__(self, age: np.ndarray) -> None:
        self._age = age
        step = np.diff(np.log(age))
        pieces = np.maximum(np.ceil(step / WIDEST), 1).astype(int)
        self._first = np.concatenate([[0], np.cumsum(pieces)])  # each age's place among the edges
        width = np.repeat(step / pieces, pieces)
        within = np.arange(width.size) - np.repeat(self._first[:-1], pieces)
        low = np.repeat(np.log(age[:-1]), pieces) + within * width
        self._width, self._low, self._high = width, np.exp(low), np.exp(low + width)
        self._log_node = low + np.multiply.outer(0.5 * (_AT + 1), width)
        self._node = np.exp(self._log_node)
        self._weight = 0.5 * np.multiply.outer(_WEIGHT, width)

    def at(self, shape: float, scale: float) -> Tail | None:
        """The tail at each age; None where adding it up would not be exact enough."""
        span = self._age[-1] / scale
        if not (np.isfinite(span) and span < FARTHEST and 0 < shape < 1e6):
            return None
        steep = np.maximum(np.abs(shape - self._low / scale), np.abs(shape - self._high / scale))
        if (steep * self._width).max(initial=0.0) > STEEPEST:
            return None
        level, log_scale = gammaln(shape), np.log(scale)
        digamma_, trigamma = digamma(shape), zeta(2.0, shape)
        # du = u dv with v = log u: the density times u
        mass = np.exp(shape * self._log_node - self._node / scale - (level + shape * log_scale))
        mass *= self._weight
        off = self._log_node - (log_scale + digamma_)
        leaning = mass * off
        beyond = _beyond(shape, span, level, digamma_)
        sums = [
            np.concatenate([_from_the_end(part.sum(axis=0)), [0.0]])[self._first] + last
            for part, last in zip((mass, leaning, leaning * off), beyond, strict=True)
        ]
        tail = Tail(sums[0], sums[1], sums[2] - trigamma * sums[0])
        known = gammaincc(shape, self._age[0] / scale)
        return tail if abs(tail.value[0] - known) <= AGREES * known else None


def _from_the_end(values: np.ndarray) -> np.ndarray:
    return np.cumsum(values[::-1])[::-1]


def _beyond(shape: float, start: float, level: float, digamma_: float) -> tuple[float, ...]:
    """Integrals of the density, times (log u - digamma) and its square, from ``start`` on."""
    spread = max(np.sqrt(shape), 1.0)
    end, edges = max(start, shape) + REACH * spread, [start]
    while edges[-1] < end:
        edges.append(edges[-1] + min(spread, edges[-1] / 2))
    edge = np.array(edges)
    width = np.diff(edge)
    node = edge[:-1] + np.multiply.outer(0.5 * (_AT_BEYOND + 1), width)
    log_node = np.log(node)
    mass = 0.5 * np.multiply.outer(_WEIGHT_BEYOND, width)
    mass *= np.exp((shape - 1) * log_node - node - level)
    off = log_node - digamma_
    return float(mass.sum()), float((mass * off).sum()), float((mass * off * off).sum())
