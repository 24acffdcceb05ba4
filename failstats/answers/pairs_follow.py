"""What follows when the first part is replaced, with the partner kept and with both new."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.answers.pairs_rows import (
    FEWEST_INDEX_JOBS,
    After,
    CurveStep,
    Difference,
    Habit,
    OverlapBand,
)
from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError
from failstats.estimate.background import Expected, combine, expected_failures
from failstats.estimate.curves import HazardCurve, nelson_aalen
from failstats.estimate.follow_on import BANDS, FEW_EVENTS, FollowOn, follow_on
from failstats.estimate.pairing_habit import HabitEffect, pairing_habit
from failstats.warehouse.session import Session

__all__ = [
    "FEWEST_INDEX_JOBS",
    "LEAST_COVERED",
    "REPLICATES",
    "SEED",
    "WINDOWS",
    "Background",
    "Followed",
    "after_jobs",
    "background",
    "followed",
    "index_jobs",
    "pair_follow_on",
]

WINDOWS = (30, 90, 365)
REPLICATES = 400
FOLLOW_REPLICATES = 200  # its intervals rest on standard errors, which settle sooner than tails
SEED = 1
CURVE_STEPS = 26  # points of a follow-on curve: every fortnight of a year
NAMED_HABITS = 0.8  # share of jobs whose technician must be known; else the van stands in
LEAST_COVERED = 0.9  # of the days watched; below it the background says nothing of them
YEARS = 3652.5  # ages in decades: the covariates of the weights are all of order 1

Background = Mapping[tuple[str, str], HazardCurve]


def index_jobs(session: Session, first: str, second: str) -> pd.DataFrame:
    """The index jobs of one ordered pair, with days followed > 0 (see `pairs_index`)."""
    frame = session.run("pairs_index", first=first, second=second)
    frame = frame[frame["followed_days"] > 0].reset_index(drop=True)
    event = np.where(frame["failed"], 1, np.where(frame["replaced_otherwise"], 2, 0))
    return frame.assign(event=event)


def _ages(values: pd.Series) -> list[np.ndarray]:
    """An age in decades, its square, and whether it is unknown."""
    age = (values.astype(float) / YEARS).fillna(-1).to_numpy()
    unknown = age < 0
    age = np.where(unknown, 0.0, age)
    return [age, age**2, unknown.astype(float)]


def covariates(jobs: pd.DataFrame) -> np.ndarray:
    """What may have led to pairing: partner's test and age, what the first part showed, the
    unit's age, its vent and its family."""
    columns = [
        jobs["partner_passed_hot"].to_numpy(float),
        jobs["partner_passed_cold"].to_numpy(float),
        jobs["first_tripped"].to_numpy(float),
        *_ages(jobs["partner_was_days"]),
        *_ages(jobs["unit_age_days"]),
    ]
    for name in ("vent_state", "family"):
        words = sorted(jobs[name].unique())
        columns += [(jobs[name] == word).to_numpy(float) for word in words[1:]]
    x = np.column_stack(columns)
    x = x[:, x.std(axis=0) > 0]
    return x[:, _independent(x)]


def _independent(x: np.ndarray) -> np.ndarray:
    """Which columns add something: first-fitted parts are as old as their unit, all of them in a
    company without replacements."""
    kept: list[int] = []
    basis = np.ones((len(x), 1)) / np.sqrt(len(x))
    for j in range(x.shape[1]):
        left = x[:, j] - basis @ (basis.T @ x[:, j])
        size = float(np.linalg.norm(left))
        if size > 1e-6 * float(np.linalg.norm(x[:, j])):
            kept.append(j)
            basis = np.column_stack([basis, left / size])
    return np.array(kept, dtype=np.int64)


def pair_follow_on(jobs: pd.DataFrame, windows: Sequence[int]) -> FollowOn:
    """Cumulative incidence after index jobs, partner kept and replaced."""
    return follow_on(
        jobs["followed_days"].to_numpy(),
        event=jobs["event"].to_numpy(),
        both=jobs["both_replaced"].to_numpy(),
        cluster=jobs["cluster_id"].to_numpy(),
        windows=list(windows),
        covariates=covariates(jobs),
        replicates=FOLLOW_REPLICATES,
        seed=SEED,
    )


def pair_habit(jobs: pd.DataFrame, windows: Sequence[int]) -> tuple[str, HabitEffect] | None:
    """The same difference through technicians' (or vans') habit; None where it cannot tell."""
    by = "technician_id" if jobs["technician_id"].notna().mean() >= NAMED_HABITS else "van_id"
    named = jobs[jobs[by].notna()].reset_index(drop=True)
    if named["both_replaced"].nunique() < 2:
        return None
    try:
        return by, pairing_habit(
            named["followed_days"].to_numpy(),
            event=named["event"].to_numpy(),
            both=named["both_replaced"].to_numpy(),
            habit=named[by].to_numpy(),
            cluster=named["cluster_id"].to_numpy(),
            windows=list(windows),
            covariates=covariates(named),
            replicates=REPLICATES,
            seed=SEED,
        )
    except FitError:
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """All that is said of what follows one pair's index jobs."""

    difference: list[Difference]
    curve: list[CurveStep]
    overlap: float | None
    overlap_bands: list[OverlapBand]
    habit: Habit | None


def followed(jobs: pd.DataFrame, windows: Sequence[int], level: float) -> Followed:
    """Differences by window, whole curves, overlap, and the habit's answer."""
    asked = sorted(set(windows))
    step = max(asked[-1] // CURVE_STEPS, 1)
    days = sorted({*asked, *range(step, asked[-1] + 1, step)})
    found = pair_follow_on(jobs, days)
    habit = pair_habit(jobs, asked)
    low, high = found.interval(level)
    weighted, limits = found.weighted_difference(), found.weighted_interval(level)
    habit_limits = None if habit is None else habit[1].interval(level)
    differences = []
    for place, window in enumerate(asked):
        k = days.index(window)
        differences.append(
            Difference(
                window_days=window,
                alone=float(found.alone[k]),
                both=float(found.both[k]),
                risk_difference=float(found.difference()[k]),
                ci=(float(low[k]), float(high[k])),
                weighted_difference=None if weighted is None else float(weighted[k]),
                weighted_ci=None if limits is None else (float(limits[0][k]), float(limits[1][k])),
                habit_difference=None if habit is None else float(habit[1].difference[place]),
                habit_ci=None
                if habit_limits is None
                else (float(habit_limits[0][place]), float(habit_limits[1][place])),
            )
        )
    bands = []
    if found.overlap_alone is not None and found.overlap_both is not None:
        bands = [
            OverlapBand(
                chance_from=float(BANDS[k]),
                chance_to=float(BANDS[k + 1]),
                alone=int(a),
                both=int(b),
            )
            for k, (a, b) in enumerate(zip(found.overlap_alone, found.overlap_both, strict=True))
        ]
    return Followed(
        difference=differences,
        curve=_curve(found, days, level),
        overlap=found.overlap,
        overlap_bands=bands,
        habit=None
        if habit is None
        else Habit(by=habit[0], groups=habit[1].groups, strength=habit[1].strength),
    )


def _curve(found: FollowOn, days: Sequence[int], level: float) -> list[CurveStep]:
    """The whole curves: weighted where they can be, else crude."""
    alone, both = found.arms(weighted=found.weighted_alone is not None)
    ends_a, ends_b = alone.interval(level), both.interval(level)
    return [
        CurveStep(
            days=int(day),
            alone=float(alone.share[k]),
            alone_ci=(float(ends_a[0][k]), float(ends_a[1][k])),
            both=float(both.share[k]),
            both_ci=(float(ends_b[0][k]), float(ends_b[1][k])),
        )
        for k, day in enumerate(days)
    ]


# --- against the usual wear --------------------------------------------------------------------


def background(session: Session) -> Background:
    """(part, family) -> cumulative hazard of first-fitted parts before any heat-part job."""
    frame = session.run("pairs_background")
    curves = {}
    for key, cells in frame.groupby(["part", "family"]):
        cells = cells.rename(columns={"failed": "failed_failed"}).drop(columns=["part", "family"])
        curves[key] = nelson_aalen(RiskTable.from_cells(cells.astype("int64")))
    return curves


def _expected(
    arm: pd.DataFrame, first: str, second: str, window: int, curves: Background
) -> Expected:
    """What the new first part and the partner at its age would have done by themselves."""
    watched = arm["followed_days"].clip(upper=window).to_numpy(float)
    # a visit before the recorded installation tells no age
    unit_age = arm["unit_age_days"].where(arm["unit_age_days"] >= 0)
    age = arm["partner_age_days"].fillna(unit_age).fillna(0).to_numpy(float)
    family = arm["family"].to_numpy()
    parts = []
    for name in np.unique(family):
        mine = family == name
        new = np.zeros(int(mine.sum()))
        parts.append(
            expected_failures(curves.get((first, name)), begin=new, end=new + watched[mine])
        )
        parts.append(
            expected_failures(
                curves.get((second, name)), begin=age[mine], end=age[mine] + watched[mine]
            )
        )
    return combine(parts)


def after_jobs(
    jobs: pd.DataFrame,
    first: str,
    second: str,
    windows: Sequence[int],
    curves: Background,
    level: float,
) -> list[After]:
    """Failures observed after index jobs against the background's, in either arm."""
    out = []
    for both, word in ((False, "first_replaced_alone"), (True, "both_replaced")):
        arm = jobs[jobs["both_replaced"] == both]
        drawn = _Drawn(arm)
        for window in windows:
            seen = int((arm["failed"] & (arm["followed_days"] <= window)).sum())
            expected = _expected(arm, first, second, window, curves)
            told = expected.covered >= LEAST_COVERED
            ratio = seen / expected.failures if told and expected.failures > 0 else None
            out.append(
                After(
                    window_days=window,
                    after=word,
                    index_jobs=len(arm),
                    units=int(arm["unit_id"].nunique()),
                    observed=seen,
                    expected=expected.failures if told else None,
                    ratio=None if ratio is None else float(ratio),
                    ratio_ci=_ratio_limits(arm, window, expected, level, drawn)
                    if told
                    else (None, None),
                    ages_covered=expected.covered,
                )
            )
    return out


class _Drawn:
    """The clusters of one arm drawn anew, once for all windows: jobs of each replicate, and how
    often each cluster is in it."""

    def __init__(self, arm: pd.DataFrame) -> None:
        _, self.code = np.unique(arm["cluster_id"].to_numpy().astype(str), return_inverse=True)
        self.sizes = np.bincount(self.code).astype(float)
        self._times: np.ndarray | None = None

    def times(self) -> np.ndarray:
        """(replicates, clusters), after as many normal numbers as the background takes."""
        if self._times is None:
            rng = np.random.default_rng(SEED)
            rng.standard_normal(REPLICATES)
            shape = (REPLICATES, len(self.sizes))
            self._times = np.empty(shape, dtype=np.int8)
            for one in self._times:  # a Poisson count of mean 1 above 127 is beyond all chance
                one[:] = rng.poisson(1.0, size=len(self.sizes))
        return self._times

    def totals(self, of_cluster: np.ndarray) -> np.ndarray:
        """(replicates,) sums over the clusters drawn."""
        return np.array([one.astype(float) @ of_cluster for one in self.times()])


def _ratio_limits(
    arm: pd.DataFrame, window: int, expected: Expected, level: float, drawn: _Drawn
) -> tuple[float | None, float | None]:
    """Bootstrap by cluster of the observed rate (Poisson's exact limits where hardly any was
    seen), over the background drawn on the log scale."""
    if not expected.failures > 0 or arm.empty:
        return (None, None)
    tail = [(1 - level) / 2, (1 + level) / 2]
    seen = (arm["failed"] & (arm["followed_days"] <= window)).to_numpy(float)
    rng = np.random.default_rng(SEED)
    spread = np.sqrt(expected.variance) / expected.failures
    base = expected.failures * np.exp(spread * rng.standard_normal(REPLICATES))
    if seen.sum() < FEW_EVENTS:
        count = float(seen.sum())
        low = np.quantile(rng.gamma(count, size=REPLICATES) / base, tail[0]) if count else 0.0
        return (
            float(low),
            float(np.quantile(rng.gamma(count + 1, size=REPLICATES) / base, tail[1])),
        )
    by_cluster = np.bincount(drawn.code, weights=seen)
    totals = drawn.totals(drawn.sizes)
    rates = np.divide(
        drawn.totals(by_cluster), totals, out=np.full(REPLICATES, np.nan), where=totals > 0
    )
    low, high = np.nanquantile(rates * len(arm) / base, tail)
    return (float(low), float(high))
