"""The hazard models behind `vents`, on stretches at risk as arrays: no query, no words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError
from failstats.estimate.hazard_model import (
    CoxFit,
    Design,
    cluster_robust,
    cox,
    proportional_hazards_test,
)
from failstats.estimate.poisson_model import AGREE_WITHIN, agreement, piecewise_exponential
from failstats.estimate.replicates import cox_replicates

__all__ = [
    "ADJUSTERS",
    "LENGTH_LEVELS",
    "UNKNOWN",
    "Factor",
    "Ratios",
    "Second",
    "adjusters",
    "fit_ratios",
    "indicators",
    "proportional",
    "second_opinion",
    "smooth",
]

UNKNOWN = "unknown"
LOADS_REFERENCE = 5  # of ten bins; bin 0 is "not recorded"
LENGTH_LEVELS = ("over_limit", UNKNOWN)  # against within the limit
# Where the rate may change in the second opinion: every year of age.
AGE_CUTS = tuple(365 * year for year in range(1, 21))
# A level of an adjuster with fewer failures joins the reference: its own ratio would only be noise.
FEWEST_AT_LEVEL = 5
# What a ratio is adjusted for beside the strata (family, first or later life).
ADJUSTERS = ("loads_bin", "unit_age", "length", "fuel", "van")

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Factor:
    """One covariate: ``code`` (rows,) its level on each row, ``values`` (levels, k) what a level
    means to the model, ``names`` (k,)."""

    code: IntArray
    values: FloatArray
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratios:
    """Log hazard ratios of an exposure and what it is adjusted for, robust by cluster.

    ``names`` (p,), those of the exposure first; ``exposed`` their number; ``log_ratio`` (p,),
    ``covariance`` (p, p); ``fit`` and ``table`` for what comes after, unless `light`.
    ``rate_per_day``: failures per day in the reference stretches, where some were named;
    ``joint`` (exposed + 1, exposed + 1): the covariance of the exposure's log ratios and, last,
    of the logarithm of that rate.
    ``drawn`` (replicates, p): the log ratios with clusters drawn anew, where that was asked for.
    """

    names: tuple[str, ...]
    exposed: int
    log_ratio: FloatArray
    covariance: FloatArray
    fit: CoxFit | None
    table: PatternTable | None
    failures: int
    rate_per_day: float | None = None
    joint: FloatArray | None = None
    drawn: FloatArray | None = None

    def log_of(self, name: str) -> float:
        """Log ratio of one level; NaN where it is not estimable."""
        return float(self.log_ratio[self.names.index(name)])

    def error_of(self, name: str) -> float:
        """Its robust standard error."""
        at = self.names.index(name)
        return float(np.sqrt(self.covariance[at, at]))

    def counted(self) -> tuple[CoxFit, PatternTable]:
        """The fit and the counts behind it, which `light` gives up."""
        assert self.fit is not None
        assert self.table is not None
        return self.fit, self.table

    def light(self) -> Ratios:
        """The same ratios without the counts they came from, which are most of the memory."""
        return replace(self, fit=None, table=None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Second:
    """The second opinion: ratio and interval by name, and how far off it is in standard errors of
    the first (infinite where only one of the two has a ratio)."""

    ratios: dict[str, tuple[float | None, float | None, float | None]]
    in_errors: dict[str, float]

    def agrees(self, name: str) -> bool:
        """Whether both models say the same of one contrast, within half a standard error."""
        return self.in_errors.get(name, 0.0) <= AGREE_WITHIN


def indicators(
    column: pd.Series,
    *,
    reference: Any,
    levels: Sequence[Any],
    prefix: str = "",
) -> Factor:
    """A column of words as one indicator per level other than the reference."""
    place = {reference: 0, **{name: k + 1 for k, name in enumerate(levels)}}
    if isinstance(column.dtype, pd.CategoricalDtype):
        of_word = [place.get(word, 0) for word in column.cat.categories]
        code = np.array([*of_word, 0], dtype=np.int64)[column.cat.codes]
    else:
        code = column.map(place).fillna(0).to_numpy(np.int64)
    values = np.vstack([np.zeros(len(levels)), np.eye(len(levels))])
    return Factor(code=code, values=values, names=tuple(f"{prefix}{name}" for name in levels))


def smooth(code: ArrayLike, values: ArrayLike, names: Sequence[str]) -> Factor:
    """A finely binned column and what each bin means."""
    return Factor(
        code=np.asarray(code, dtype=np.int64),
        values=np.asarray(values, dtype=float),
        names=tuple(names),
    )


def adjusters(frame: pd.DataFrame, names: Sequence[str] = ADJUSTERS) -> list[Factor]:
    """What the ratios are adjusted for: use in ten bins, unit age, length, fuel, territory.

    Parameters
    ----------
    frame : stretches at risk. names : columns of it; one that is missing is left out.

    Notes
    -----
    Use keeps all its levels, "not recorded" among them, against the fifth bin. Other columns are
    compared with their level of most failures; levels with fewer than 5 failures join it.
    """
    found = []
    for name in names:
        if name not in frame.columns:
            continue
        column = frame[name]
        if name == "loads_bin":
            levels = [int(k) for k in sorted(column.unique()) if k != LOADS_REFERENCE]
            found.append(
                indicators(column, reference=LOADS_REFERENCE, levels=levels, prefix="loads_bin_")
            )
            continue
        failures = frame["failed"].groupby(column, observed=True).sum().sort_values(ascending=False)
        levels = [k for k, n in failures.items() if n >= FEWEST_AT_LEVEL][1:]
        if name == "length":
            lengths = [k for k in LENGTH_LEVELS if (column == k).any()]
            found.append(indicators(column, reference="within", levels=lengths, prefix="length_"))
        elif levels:
            found.append(
                indicators(
                    column, reference=failures.index[0], levels=sorted(levels), prefix=f"{name}_"
                )
            )
    return found


def _patterns(factors: Sequence[Factor], rows: int) -> tuple[IntArray, Design]:
    """One pattern code per row, and the design over the patterns that occur."""
    key = np.zeros(rows, dtype=np.int64)
    for factor in factors:
        key = key * factor.values.shape[0] + factor.code
    seen, pattern = np.unique(key, return_inverse=True)
    columns, rest = [], seen
    for factor in reversed(factors):
        rest, code = np.divmod(rest, factor.values.shape[0])
        columns.append(factor.values[code])
    values = np.column_stack(columns[::-1]) if columns else np.zeros((seen.size, 0))
    names = tuple(name for factor in factors for name in factor.names)
    return pattern.reshape(-1).astype(np.int64), Design(values=values, names=names)


def fit_ratios(
    frame: pd.DataFrame,
    *,
    exposure: Factor,
    others: Sequence[Factor] = (),
    stratum: str = "stratum",
    ties: str = "efron",
    reference: ArrayLike | None = None,
    draws: Callable[[int, int], NDArray[np.int32]] | None = None,
) -> Ratios:
    """Hazard ratios of an exposure: Cox on counts, robust by cluster.

    Parameters
    ----------
    frame : one row per stretch at risk: cluster_id, stratum, start_days, stop_days, failed.
    exposure, others : what is asked about, and what it is adjusted for; codes by row of ``frame``.
    stratum : the column whose values have a baseline of their own.
    reference : (rows,) which stretches the failure rate is taken from, where one is wanted too.
    draws : (first, last) -> how often each of these clusters, numbered as they come in ``frame``,
        is drawn in each replicate; None for no replicates.

    Raises
    ------
    FitError : no failures, or nothing to compare.

    Notes
    -----
    The rate is failures over days. What a cluster adds to the logarithm of it, its failures less
    the expected over all failures, stands beside what it adds to the log ratios, so that their
    covariance is that of both together: units with many failures behind a clean vent raise the rate
    and lower the ratios.
    """
    pattern, design = _patterns([exposure, *others], len(frame))
    group, _ = pd.factorize(frame[stratum], sort=True)
    rows = {
        "start": frame["start_days"].to_numpy(np.int64),
        "stop": frame["stop_days"].to_numpy(np.int64),
        "failed": frame["failed"].to_numpy(np.int64),
        "pattern": pattern,
        "stratum": group.astype(np.int64),
    }
    table = PatternTable.from_episodes(**rows)
    if not table.failures:
        raise FitError("a hazard ratio needs failures, but there are none.")
    fit = cox(table, design=design, ties=ties)
    if not fit.estimable.any():
        raise FitError("no two states of the vent can be compared at one age.")
    cluster, _ = pd.factorize(frame["cluster_id"])
    robust = cluster_robust(fit, cluster=cluster, **rows)
    drawn = None if draws is None else cox_replicates(robust, draws)
    exposed = len(exposure.names)
    rate, joint = None, None
    if reference is not None:
        here = np.asarray(reference, dtype=bool)
        rate, added = _rate(here, rows["failed"], rows["stop"] - rows["start"], cluster)
        if rate is not None:
            moved = np.column_stack([robust.influence[:, :exposed], added])
            joint = moved.T @ moved
    return Ratios(
        names=design.names,
        exposed=exposed,
        log_ratio=np.asarray(fit.coefficients),
        covariance=np.asarray(robust.covariance),
        fit=fit,
        table=table,
        failures=table.failures,
        rate_per_day=rate,
        joint=joint,
        drawn=drawn,
    )


def _rate(
    here: NDArray[np.bool_], failed: IntArray, days: IntArray, cluster: IntArray
) -> tuple[float | None, FloatArray]:
    """Failures per day of some stretches, and (clusters,) what each adds to its logarithm."""
    total, time = int(failed[here].sum()), int(days[here].sum())
    size = int(cluster.max(initial=-1)) + 1
    if not total or not time:
        return None, np.zeros(size)
    rate = total / time
    beyond = np.where(here, failed - rate * days, 0.0)
    return rate, np.bincount(cluster, weights=beyond, minlength=size) / total


def second_opinion(found: Ratios, confidence_level: float) -> Second:
    """The same contrasts from failures per day lived in years of age; no code in common."""
    fit, table = found.counted()
    poisson = piecewise_exponential(table, design=fit.design, cuts=AGE_CUTS)
    limits = poisson.hazard_ratio(confidence_level)
    both = agreement(fit, second=poisson)
    names = [*found.names[: found.exposed], *(n for n in found.names if n.startswith("length_"))]
    ratios, in_errors = {}, {}
    for name in names:
        at = found.names.index(name)
        ratio, low, high = (
            float(v) if np.isfinite(v) else None
            for v in limits[["hazard_ratio", "low", "high"]].iloc[at]
        )
        ratios[name] = (ratio, low, high)
        same = bool(fit.estimable[at] == poisson.estimable[at])
        off = float(both.in_errors[at])
        in_errors[name] = (off if np.isfinite(off) else 0.0) if same else float("inf")
    return Second(ratios=ratios, in_errors=in_errors)


def proportional(found: Ratios) -> dict[str, float]:
    """p-value by name of the test that the ratio stays the same as the part gets older."""
    test = proportional_hazards_test(*found.counted())
    return dict(zip(found.names, map(float, test.p_value), strict=True))
