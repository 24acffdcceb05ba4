"""Which parts fail and are replaced together, and what follows when only one is replaced?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.lives_selected import hidden_pair
from failstats.answers.pairs_rows import (
    After,
    Difference,
    Hidden,
    HiddenEnd,
    HiddenLife,
    Missed,
    Pair,
    Pairs,
)
from failstats.answers.result import Warning_
from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.association import benjamini_hochberg, fisher_exact, lift
from failstats.estimate.curves import HazardCurve, kaplan_meier, nelson_aalen
from failstats.estimate.follow_on import FollowOn, follow_on
from failstats.estimate.intervals import wilson
from failstats.estimate.stratified_tables import mantel_haenszel
from failstats.warehouse.session import Session

__all__ = ["WINDOWS", "Pair", "Pairs", "index_jobs", "pair_follow_on", "pairs"]

WINDOWS = (30, 90, 365)
FEWEST_INDEX_JOBS = 20  # in either arm; below it no difference is stated
REPLICATES = 400
SEED = 1
HEADLINE_WINDOW = 365
CALLED = 0.05  # q-value at which a pair is called


# --- what goes together ------------------------------------------------------------------------


def _together(frame: pd.DataFrame, level: float) -> pd.DataFrame:
    """Per ordered pair: counts over families, lift, Mantel-Haenszel odds ratio, mid-p, q."""
    rows = []
    for (first, second), group in frame.groupby(["first", "second"], sort=False):
        both = group["episodes_both"].to_numpy()
        one, other = group["episodes_first"].to_numpy(), group["episodes_second"].to_numpy()
        total = group["episodes_total"].to_numpy()
        strata = np.stack(
            [
                np.stack([both, one - both], -1),
                np.stack([other - both, total - one - other + both], -1),
            ],
            -2,
        )
        pooled = strata.sum(axis=0)
        stratified = mantel_haenszel(strata)
        low, high = stratified.interval(level)
        found = lift(pooled)
        rows.append(
            {
                "first": first,
                "second": second,
                "episodes_first": int(one.sum()),
                "episodes_both": int(both.sum()),
                "both_failed": int(group["both_failed"].sum()),
                "unit_count": int(group["unit_count"].sum()),
                "lift": float(found.estimate) if both.sum() else None,
                "odds_ratio": float(stratified.odds_ratio),
                "odds_low": float(low),
                "odds_high": float(high),
                "p_value": float(fisher_exact(pooled, mid_p=True)),
            }
        )
    out = pd.DataFrame(rows)
    # a pair and its mirror are one test
    keys = ["|".join(sorted(pair)) for pair in zip(out["first"], out["second"], strict=True)]
    once = out.assign(key=keys).drop_duplicates("key").set_index("key")["p_value"]
    q_values = dict(zip(once.index, benjamini_hochberg(once.to_numpy()), strict=True))
    return out.assign(q_value=[q_values[key] for key in keys])


# --- what follows ------------------------------------------------------------------------------


def index_jobs(session: Session, first: str, second: str) -> pd.DataFrame:
    """The index jobs of one ordered pair, with days followed > 0 (see `pairs_index`)."""
    frame = session.run("pairs_index", first=first, second=second)
    frame = frame[frame["followed_days"] > 0].reset_index(drop=True)
    event = np.where(frame["failed"], 1, np.where(frame["replaced_otherwise"], 2, 0))
    return frame.assign(event=event)


def _covariates(jobs: pd.DataFrame) -> np.ndarray:
    """What may have led to pairing: tests passed, partner's and unit's age, family."""
    age = (jobs["unit_age_days"] / 3652.5).fillna(-1).to_numpy(float)
    columns = [
        jobs["partner_passed_hot"].to_numpy(float),
        jobs["partner_passed_cold"].to_numpy(float),
        np.where(age < 0, 0.0, age),
        (age < 0).astype(float),
    ]
    families = sorted(jobs["family"].unique())
    columns += [(jobs["family"] == family).to_numpy(float) for family in families[1:]]
    x = np.column_stack(columns)
    return x[:, x.std(axis=0) > 0]


def pair_follow_on(jobs: pd.DataFrame, windows: Sequence[int]) -> FollowOn:
    """Cumulative incidence after index jobs, partner kept and replaced."""
    return follow_on(
        jobs["followed_days"].to_numpy(),
        event=jobs["event"].to_numpy(),
        both=jobs["both_replaced"].to_numpy(),
        cluster=jobs["cluster_id"].to_numpy(),
        windows=list(windows),
        covariates=_covariates(jobs),
        replicates=REPLICATES,
        seed=SEED,
    )


def _background(session: Session) -> dict[tuple[str, str], HazardCurve]:
    """(part, family) -> cumulative hazard of first-fitted parts before any heat-part job."""
    frame = session.run("pairs_background")
    curves = {}
    for key, cells in frame.groupby(["part", "family"]):
        cells = cells.rename(columns={"failed": "failed_failed"}).drop(columns=["part", "family"])
        curves[key] = nelson_aalen(RiskTable.from_cells(cells.astype("int64")))
    return curves


def _hazard(curve: HazardCurve | None, ages: np.ndarray) -> np.ndarray:
    """Cumulative hazard at ages; flat beyond the last age followed (an underestimate there)."""
    if curve is None or not len(curve.age):
        return np.zeros(len(ages))
    padded = np.concatenate([[0.0], curve.cumulative_hazard])
    return padded[np.searchsorted(curve.age, ages, side="right")]


def _after(
    jobs: pd.DataFrame,
    first: str,
    second: str,
    windows: Sequence[int],
    curves: dict[tuple[str, str], HazardCurve],
    level: float,
) -> list[After]:
    out = []
    for both, word in ((False, "first_replaced_alone"), (True, "both_replaced")):
        arm = jobs[jobs["both_replaced"] == both]
        for window in windows:
            watched = arm["followed_days"].clip(upper=window).to_numpy(float)
            seen = (arm["failed"] & (arm["followed_days"] <= window)).sum()
            expected, at_family = 0.0, arm["family"].to_numpy()
            partner = arm["partner_age_days"].fillna(arm["unit_age_days"]).fillna(0).to_numpy(float)
            for family in np.unique(at_family):
                mine = at_family == family
                new, old = curves.get((first, family)), curves.get((second, family))
                expected += _hazard(new, watched[mine]).sum()
                expected += (
                    _hazard(old, partner[mine] + watched[mine]) - _hazard(old, partner[mine])
                ).sum()
            ratio = seen / expected if expected > 0 else None
            out.append(
                After(
                    window_days=window,
                    after=word,
                    index_jobs=len(arm),
                    units=int(arm["unit_id"].nunique()),
                    observed=int(seen),
                    expected=float(expected),
                    ratio=None if ratio is None else float(ratio),
                    ratio_ci=_ratio_limits(arm, window, float(expected), level),
                )
            )
    return out


def _ratio_limits(
    arm: pd.DataFrame, window: int, expected: float, level: float
) -> tuple[float | None, float | None]:
    """Bootstrap by cluster of the observed count, against the expected one taken as known."""
    if not expected > 0 or arm.empty:
        return (None, None)
    seen = (arm["failed"] & (arm["followed_days"] <= window)).to_numpy(float)
    _, code = np.unique(arm["cluster_id"].to_numpy().astype(str), return_inverse=True)
    by_cluster = np.bincount(code, weights=seen)
    sizes = np.bincount(code).astype(float)
    draws = np.random.default_rng(SEED).poisson(1.0, size=(REPLICATES, len(sizes)))
    totals = draws @ sizes
    rates = np.divide(draws @ by_cluster, totals, out=np.full(REPLICATES, np.nan), where=totals > 0)
    low, high = np.nanquantile(rates * len(arm) / expected, [(1 - level) / 2, (1 + level) / 2])
    return (float(low), float(high))


def _missed(session: Session, level: float) -> dict[str, list[Missed]]:
    """Part -> how often it failed within a year of passing each test."""
    frame = session.run("pairs_tests")
    frame = frame[frame["followed_days"] > 0]
    out: dict[str, list[Missed]] = {}
    for (part, test), group in frame.groupby(["part", "test"]):
        cause = np.where(group["failed"], "failed", "")
        table = RiskTable.from_lives(0, group["followed_days"].to_numpy(float), cause)
        within = int((group["failed"] & (group["followed_days"] <= HEADLINE_WINDOW)).sum())
        curve = kaplan_meier(table)
        reached = min(HEADLINE_WINDOW, curve.followed_to)
        low, high = curve.interval_at([reached], confidence_level=level)
        out.setdefault(str(part), []).append(
            Missed(
                test=str(test),
                kept=len(group),
                failed_within=within,
                share=1 - float(curve.survival_at([reached])[0]),
                ci=(_number(1 - float(high[0])), _number(1 - float(low[0]))),
            )
        )
    return out


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


# --- the answer ----------------------------------------------------------------------------------


def pairs(
    session: Session,
    *,
    window: Sequence[int] = (),
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Pairs:
    """Which parts go together, and does replacing both spare return visits?

    Parameters
    ----------
    window : days after the repair to look at; default 30, 90 and 365.
    progress : called with each pair whose follow-on is counted.

    Returns
    -------
    Pairs : every ordered pair of parts that call-outs replaced.

    Raises
    ------
    InputError : a window that is not a positive whole number of days.

    Notes
    -----
    *Replaced together* is Wilson's interval of the share, lift, and the Mantel-Haenszel odds ratio
    over families; exact mid-p values are turned into q-values over all pairs (Benjamini and
    Hochberg 1995). *Follow-on* compares index jobs (first part replaced, partner not found failed)
    by whether the partner was replaced too: cumulative incidence of the next call-out failure of
    either part, with a Poisson bootstrap over units or buildings.
    """
    windows = tuple(window) or WINDOWS
    for days in windows:
        if days < 1:
            raise InputError(
                f"--window must be a number of days above 0, but is {days}.",
                where="--window",
                do="give days, such as 365.",
            )
    reach = (session.as_of - dt.date.fromisoformat(session.choices["records_from"])).days
    if max(windows) > reach:
        raise InputError(
            f"--window must lie within the {reach} days of the records, but is {max(windows)}.",
            where="--window",
            do="give fewer days.",
        )
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    frame = session.run("pairs_together")
    rows = []
    if not frame.empty:
        together = _together(frame, confidence_level)
        curves = _background(session)
        missed = _missed(session, confidence_level)
        for entry in together.itertuples():
            rows.append(
                _pair(session, entry, windows, curves, missed, confidence_level, warnings, progress)
            )
    rows.sort(key=lambda p: (not p.difference, -p.episodes_both, p.first, p.second))
    called = [
        f"{p.first} + {p.second}"
        for p in rows
        if p.q_value is not None
        and p.q_value < CALLED
        and p.first < p.second
        and (p.odds_ratio or 0) > 1
    ]
    settings = {
        **session.choices,
        "windows_days": list(windows),
        "confidence_level": confidence_level,
    }
    summary = {
        "pairs": len(rows),
        "replaced_together_beyond_chance": called,
        "outcome": "next call-out failure of either part",
        "together_among": "call-outs in which a part failed or was replaced",
        "replicates": REPLICATES,
        "seed": SEED,
    }
    return Pairs(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _pair(
    session: Session,
    entry: Any,
    windows: tuple[int, ...],
    curves: dict[tuple[str, str], HazardCurve],
    missed: dict[str, list[Missed]],
    level: float,
    warnings: list[Warning_],
    progress: Callable[[str], None] | None,
) -> Pair:
    """One ordered pair."""
    after: list[After] = []
    differences: list[Difference] = []
    overlap = None
    if entry.episodes_both >= FEWEST_INDEX_JOBS:
        jobs = index_jobs(session, entry.first, entry.second)
        arms = jobs["both_replaced"].value_counts()
        if min(arms.get(True, 0), arms.get(False, 0)) >= FEWEST_INDEX_JOBS:
            if progress:
                progress(f"{entry.first} and {entry.second}")
            after = _after(jobs, entry.first, entry.second, windows, curves, level)
            found = pair_follow_on(jobs, windows)
            overlap = found.overlap
            differences = _differences(found, level)
            if found.weighted_alone is None:
                warnings.append(
                    Warning_(
                        code="low_overlap",
                        text=f"{entry.first} and {entry.second}: jobs with and without a new "
                        f"{entry.second} are too unlike for a weighted comparison; only the crude "
                        "difference is stated.",
                    )
                )
    low, high = wilson(entry.episodes_both, of=entry.episodes_first, confidence_level=level)
    any_first = entry.episodes_first > 0
    return Pair(
        first=entry.first,
        second=entry.second,
        episodes_first=entry.episodes_first,
        episodes_both=entry.episodes_both,
        unit_count=entry.unit_count,
        share=entry.episodes_both / entry.episodes_first if any_first else None,
        share_ci=(float(low), float(high)) if any_first else None,
        lift=_number(entry.lift) if entry.lift is not None else None,
        odds_ratio=_number(entry.odds_ratio),
        odds_ratio_ci=(_number(entry.odds_low), _number(entry.odds_high)),
        q_value=_number(entry.q_value),
        both_failed=entry.both_failed,
        follow_on=after,
        difference=differences,
        overlap=overlap,
        hidden=_hidden(session, entry.first, entry.second, level),
        missed_by_test=missed.get(entry.second, []),
    )


def _hidden(session: Session, first: str, second: str, level: float) -> Hidden | None:
    """The two-state model, where the second part fails unseen and trips the first."""
    part = session.vocabulary.parts.get(second)
    if part is None or part.trips != first or not part.silent_modes:
        return None
    silent = session.run("lives_silent")
    if second not in set(silent["part"]):
        return None
    model = hidden_pair(session, first, second)
    found = model.fit
    if found is None:
        return None
    life = found.hidden.parameters
    low, high = found.interval("multiplier", level)
    scale_low, scale_high = found.interval("hidden scale", level)
    return Hidden(
        multiplier=found.multiplier,
        multiplier_ci=(float(low), float(high)),
        life=HiddenLife(shape=life["shape"], scale_days=life["scale"]),
        scale_ci=(float(scale_low), float(scale_high)),
        induced_share=found.induced_share,
        bracket=[
            HiddenEnd(
                assumption=name,
                multiplier=other.multiplier,
                ci=(
                    float(other.interval("multiplier", level)[0]),
                    float(other.interval("multiplier", level)[1]),
                ),
            )
            for name, other in model.others.items()
        ],
    )


def _differences(found: FollowOn, level: float) -> list[Difference]:
    low, high = found.interval(level)
    crude = found.difference()
    weighted, limits = found.weighted_difference(), found.weighted_interval(level)
    return [
        Difference(
            window_days=int(days),
            alone=float(found.alone[k]),
            both=float(found.both[k]),
            risk_difference=float(crude[k]),
            ci=(float(low[k]), float(high[k])),
            weighted_difference=None if weighted is None else float(weighted[k]),
            weighted_ci=None if limits is None else (float(limits[0][k]), float(limits[1][k])),
        )
        for k, days in enumerate(found.windows)
    ]
