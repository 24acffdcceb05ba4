"""Does a fitted life agree with the records? Seen against expected; a straight-line plot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.intervals import poisson_exact
from failstats.estimate.life_models import FittedLife
from failstats.estimate.stretch import read_only

__all__ = ["AgeBands", "ProbabilityPlot", "observed_expected", "probability_plot"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AgeBands:
    """Failures seen and expected by age band.

    lower, upper : shape (b,), the bands (lower, upper] in ``unit``; the first holds day 0 too.
    observed, expected, exposure : shape (b,).
    """

    lower: np.ndarray
    upper: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    exposure: np.ndarray
    unit: str

    @property
    def ratio(self) -> np.ndarray:
        """Shape (b,): observed / expected; NaN where none were expected."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.expected > 0, self.observed / self.expected, np.nan)

    def interval(self, confidence_level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Exact Poisson interval of the ratio, the fitted curve taken as known."""
        low, high = poisson_exact(self.observed, confidence_level=confidence_level)
        with np.errstate(divide="ignore", invalid="ignore"):
            return low / self.expected, high / self.expected

    def table(self) -> Any:
        """One row per band, as a pandas data frame."""
        import pandas as pd

        low, high = self.interval()
        return pd.DataFrame(
            {
                f"lower_{self.unit}": self.lower,
                f"upper_{self.unit}": self.upper,
                f"exposure_{self.unit}": self.exposure,
                "observed": self.observed,
                "expected": self.expected,
                "ratio": self.ratio,
                "low": low,
                "high": high,
            }
        )


def observed_expected(
    fit: FittedLife | None, *, table: RiskTable, bands: Any, cause: str | None = None
) -> AgeBands:
    """Failures seen in each age band beside those a fitted curve expects of the lives followed.

    Parameters
    ----------
    fit : the fitted life; None where there is none: what is expected is then unknown.
    table : the counts to hold it against.
    bands : shape (b + 1,), ascending ages; the bands are (bands[i], bands[i + 1]].
    cause : failures of this cause only; that of the fit when absent.

    Notes
    -----
    Expected is the sum over lives of H(upper) - H(lower) for the part of the band they were
    followed; over all ages it equals the failures seen when the family is exponential.
    """
    edges = np.asarray(bands, dtype=float)
    if edges.ndim != 1 or edges.size < 2 or not (np.diff(edges) > 0).all() or edges[0] < 0:
        raise InputError("bands must hold two or more ages, ascending, from 0 up.")
    wanted = fit.cause if cause is None and fit is not None else cause
    counts = table.merge_causes() if wanted is None else table.only(wanted)
    age, died = counts.age.astype(float), counts.failed_total
    grid = np.union1d(np.concatenate([[0.0], age]), edges)
    running = np.concatenate([[0.0], counts.still_working])
    alive = running[np.searchsorted(age, grid[:-1], side="right")]  # on (grid[i], grid[i + 1]]
    rise = (
        np.diff(fit.cumulative_hazard(grid)) if fit is not None else np.full(grid.size - 1, np.nan)
    )
    band = np.searchsorted(edges, grid[1:], side="left") - 1
    inside = (band >= 0) & (band < edges.size - 1)
    size = edges.size - 1
    expected = np.bincount(band[inside], weights=(alive * rise)[inside], minlength=size)
    exposure = np.bincount(band[inside], weights=(alive * np.diff(grid))[inside], minlength=size)
    newborn = 0.0
    if age.size and age[0] == 0:
        newborn = float(died[0])
        age = np.concatenate([[counts.zero_age], age[1:]])
    place = np.searchsorted(edges, age, side="left") - 1
    held = (place >= 0) & (place < size)
    observed = np.bincount(place[held], weights=died[held].astype(float), minlength=size)
    if newborn and fit is not None and 0 <= place[0] < size:
        expected[place[0]] += newborn * float(fit.cumulative_hazard(counts.zero_age))
    return AgeBands(
        lower=read_only(edges[:-1]),
        upper=read_only(edges[1:]),
        observed=read_only(observed),
        expected=read_only(expected),
        exposure=read_only(exposure),
        unit=table.unit,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProbabilityPlot:
    """Points that lie on a straight line when lives follow the family.

    age, failed_share : shape (m,), each age with failures, and the share failed half-way through
        its step.
    across, up : shape (m,), the coordinates of the plot.
    across_label, up_label : what these are.
    """

    age: np.ndarray
    failed_share: np.ndarray
    across: np.ndarray
    up: np.ndarray
    across_label: str
    up_label: str
    unit: str


#: For each family: how age and the log of the share still working become a straight line.
_LINES: dict[str, tuple[str, str]] = {
    "weibull": ("log age", "log(-log(share working))"),
    "exponential": ("age", "-log(share working)"),
    "lognormal": ("log age", "normal score of the share failed"),
    "loglogistic": ("log age", "log odds of failing"),
}


def probability_plot(
    table: RiskTable, *, model: str = "weibull", cause: str | None = None
) -> ProbabilityPlot:
    """Points of a probability plot: straight when lives follow the family.

    Parameters
    ----------
    table : the counts.
    model : weibull, exponential, lognormal or loglogistic; the other families have no scale of
        their own on which they are straight: hold them against the records with
        ``observed_expected``.
    cause : failures of this cause only.

    Notes
    -----
    Each failure age is set against the middle of its Kaplan-Meier step. When the curve is
    conditional on a later age no straight line is to be expected, and it is refused.
    """
    if model not in _LINES:
        raise InputError(
            f"model must be one of {', '.join(_LINES)}, but {model} was given.",
            do="for gamma and gompertz, use observed_expected.",
        )
    curve = kaplan_meier(table, cause=cause)
    if curve.conditioned_on > 0:
        raise InputError(
            f"a probability plot needs lives followed from birth, but the first are followed from "
            f"{curve.conditioned_on:g} {table.unit}.",
            do="use observed_expected.",
        )
    hit = np.flatnonzero(curve.failed > 0)
    before = np.concatenate([[1.0], curve.survival])[hit]
    working = (before + curve.survival[hit]) / 2
    age = np.where(curve.age[hit] == 0, table.zero_age, curve.age[hit].astype(float))
    across = age if model == "exponential" else np.log(age)
    up = {
        "weibull": lambda s: np.log(-np.log(s)),
        "exponential": lambda s: -np.log(s),
        "lognormal": lambda s: -ndtri(s),
        "loglogistic": lambda s: np.log1p(-s) - np.log(s),
    }[model](working)
    return ProbabilityPlot(
        age=read_only(age),
        failed_share=read_only(1 - working),
        across=read_only(across),
        up=read_only(up),
        across_label=_LINES[model][0],
        up_label=_LINES[model][1],
        unit=table.unit,
    )
