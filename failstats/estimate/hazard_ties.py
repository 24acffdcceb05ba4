"""Tied failures under the hazard model: sums over the steps in which one day's failures happen.

With d failures of one day, phi_j = S (1 - f_j r) is what is still at risk at step j, where S is
the summed relative hazard at risk, r the failed parts' share of it and f_j = j / d (Efron). The
sums of 1/phi and its kin over j = 0 .. d - 1 are power series in r whose coefficients, the power
sums of f, depend on d alone: a few terms give them to rounding when r is small, at any number of
failures. Where r is not small the steps are added up one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["PowerSums", "TieWeights", "power_sums", "tie_weights"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Cells whose failed share of the relative hazard is above this are added up step by step: above the
# first, which needs 8 terms of the series, unless that is more steps than cells; then the second
# (13 terms).
MOST_SHARE = (0.004, 0.03)
# A series ends when what is left of it is below this share of its first term.
SERIES_TOLERANCE = 1e-18
MOST_TERMS = 16


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TieWeights:
    """Sums over the steps of each event cell; shape (events,).

    With phi_j = at-risk sum - f_j * failed sum, f_j = j / deaths (Efron) or 0 (Breslow):
    ``a`` = sum 1/phi, ``b`` = sum f/phi, ``a2`` = sum 1/phi^2, ``b2`` = sum f/phi^2,
    ``c2`` = sum f^2/phi^2, ``log`` = sum log phi.
    """

    a: FloatArray
    b: FloatArray
    a2: FloatArray
    b2: FloatArray
    c2: FloatArray
    log: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PowerSums:
    """Sums of (j / d)^k over j = 0 .. d - 1, for the deaths d of each cell.

    ``kind`` (events,) says which row of ``sums`` (kinds, powers) a cell has: one row per number
    of deaths that occurs.
    """

    kind: IntArray
    sums: FloatArray


def power_sums(deaths: IntArray) -> PowerSums:
    """Power sums of the tie fractions of each cell; shape (events,) whole numbers above 0.

    Examples
    --------
    >>> power_sums(np.array([2, 4])).sums[:, :2].tolist()
    [[2.0, 0.5], [4.0, 1.5]]
    """
    numbers, kind = np.unique(deaths, return_inverse=True)
    top = int(numbers[-1]) if numbers.size else 1
    steps = np.arange(top, dtype=np.longdouble) / top
    sums = np.empty((numbers.size, MOST_TERMS + 2))
    power = np.ones(top, dtype=np.longdouble)
    factor = (top / numbers.astype(np.longdouble)) if numbers.size else numbers
    scale = np.ones(numbers.size, dtype=np.longdouble)
    for k in range(MOST_TERMS + 2):
        sums[:, k] = np.cumsum(power)[numbers - 1] * scale
        power = power * steps
        scale = scale * factor
    return PowerSums(kind=kind.reshape(-1), sums=sums)


def _by_steps(
    deaths: IntArray, cells: IntArray, at_risk: FloatArray, failed: FloatArray, into: TieWeights
) -> None:
    """Add the steps of some cells up one by one."""
    counts = deaths[cells]
    begins = np.cumsum(counts) - counts
    cell = np.repeat(cells, counts)
    fraction = (np.arange(cell.size) - np.repeat(begins, counts)) / deaths[cell]
    phi = at_risk[cell] - fraction * failed[cell]
    inverse = 1.0 / phi
    part = fraction * inverse
    into.a[cells] = np.add.reduceat(inverse, begins)
    into.b[cells] = np.add.reduceat(part, begins)
    into.a2[cells] = np.add.reduceat(inverse * inverse, begins)
    into.b2[cells] = np.add.reduceat(part * inverse, begins)
    into.c2[cells] = np.add.reduceat(part * part, begins)
    into.log[cells] = np.add.reduceat(np.log(phi), begins)


def _by_series(
    deaths: IntArray,
    powers: PowerSums,
    at_risk: FloatArray,
    share: FloatArray,
) -> TieWeights:
    """All cells by power series in the failed share of the relative hazard."""
    largest = float(share.max(initial=0.0))
    terms = 1
    while terms < MOST_TERMS and (terms + 1) * largest**terms > SERIES_TOLERANCE:
        terms += 1
    inverse = 1.0 / at_risk
    sums = powers.sums[:, : terms + 2].T
    total = [np.zeros(share.size) for _ in range(6)]
    a, b, a2, b2, c2, log = total
    one, two = (sums[terms + i][powers.kind] for i in range(2))
    for k in range(terms - 1, -1, -1):  # Horner
        zero = sums[k][powers.kind]
        for held, term in (
            (a, zero), (b, one), (a2, (k + 1) * zero), (b2, (k + 1) * one), (c2, (k + 1) * two),
        ):  # fmt: skip
            held *= share
            held += term
        log *= share
        if k:
            log += zero / k
        one, two = zero, one
    log *= -1.0
    log += deaths * np.log(at_risk)
    square = inverse * inverse
    return TieWeights(a=a * inverse, b=b * inverse, a2=a2 * square, b2=b2 * square,
                      c2=c2 * square, log=log)  # fmt: skip


def tie_weights(
    deaths: IntArray,
    at_risk: FloatArray,
    failed: FloatArray,
    *,
    ties: str,
    powers: PowerSums | None = None,
) -> TieWeights:
    """Step sums for tied failures: Efron's d steps of a day, or Breslow's one.

    Parameters
    ----------
    deaths : failures per cell. at_risk, failed : summed relative hazards of the parts at risk
        and of those that failed, per cell.
    ties : "efron" or "breslow". powers : ``power_sums(deaths)``, if at hand.

    Returns
    -------
    TieWeights, to rounding (relative 1e-15 against the steps added one by one).

    References
    ----------
    Efron (1977) JASA 72:557.

    Examples
    --------
    >>> found = tie_weights(np.array([2]), np.array([10.0]), np.array([2.0]), ties="efron")
    >>> bool(np.isclose(found.a[0], 1 / 10 + 1 / 9, rtol=1e-15))
    True
    """
    zero = np.zeros_like(at_risk)
    if ties == "breslow":
        return TieWeights(
            a=deaths / at_risk,
            b=zero,
            a2=deaths / at_risk**2,
            b2=zero,
            c2=zero,
            log=np.asarray(deaths * np.log(at_risk), dtype=np.float64),
        )
    share = failed / at_risk
    for limit in MOST_SHARE:
        flat = share <= limit
        if deaths[~flat].sum() <= deaths.size:
            break
    steep = ~flat & (deaths > 1)
    small = np.where(flat, share, 0.0)
    found = _by_series(deaths, powers or power_sums(deaths), at_risk, small)
    cells = np.flatnonzero(steep)
    if cells.size:
        _by_steps(deaths, cells, at_risk, failed, found)
    return found
