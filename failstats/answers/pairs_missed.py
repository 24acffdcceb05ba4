"""What a test misses: parts that passed and failed soon after, beyond what their age explains."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.pairs_follow import LEAST_COVERED, REPLICATES, SEED, Background
from failstats.answers.pairs_rows import Missed, TestContrast
from failstats.estimate.follow_on import (
    FEW_EVENTS,
    Arm,
    cumulative_incidence,
    replicate_blocks,
)
from failstats.warehouse.session import Session

__all__ = ["MISSED_WINDOW", "missed_by_test"]

MISSED_WINDOW = 365
FEWEST_PASSED = 20  # passed tests of either kind; below it no contrast is stated


def missed_by_test(
    session: Session, curves: Background, level: float
) -> tuple[dict[str, list[Missed]], dict[str, TestContrast]]:
    """Part -> how often it failed within a year of passing each test, and cold against hot."""
    frame = session.run("pairs_tests")
    frame = frame[(frame["followed_days"] > 0) & frame["age_days"].notna()]
    missed: dict[str, list[Missed]] = {}
    contrasts: dict[str, TestContrast] = {}
    for part, group in frame.groupby("part"):
        rows, contrast = _part(str(part), group.reset_index(drop=True), curves, level)
        missed[str(part)] = rows
        if contrast is not None:
            contrasts[str(part)] = contrast
    return missed, contrasts


def usual_share(
    part: str, family: np.ndarray, age: np.ndarray, curves: Background
) -> tuple[np.ndarray, np.ndarray]:
    """(jobs,) chance that a part of this age fails within the window, by the background; and the
    share of the window at ages the background was watched at."""
    out, covered = np.zeros(len(age)), np.zeros(len(age))
    for name in np.unique(family):
        curve, mine = curves.get((part, name)), family == name
        if curve is None or not len(curve.age):
            continue
        hazard = np.concatenate([[0.0], curve.cumulative_hazard])
        ends = [
            hazard[np.searchsorted(curve.age, when, side="right")]
            for when in (age[mine], age[mine] + MISSED_WINDOW)
        ]
        out[mine] = -np.expm1(ends[0] - ends[1])
        seen = np.clip(
            [age[mine], age[mine] + MISSED_WINDOW], curve.conditioned_on, curve.followed_to
        )
        covered[mine] = (seen[1] - seen[0]) / MISSED_WINDOW
    return out, covered


def _few(share: np.ndarray, seen: int, known: int, level: float) -> tuple[float, float]:
    """Wilson's limits of a share with hardly any failure, of the parts followed long enough."""
    arm = Arm(
        share=share[:1], draws=share[1:, None], events=np.array([seen]), known=np.array([known])
    )
    low, high = arm.interval(level)
    return float(low[0]), float(high[0])


def _shares(arm: pd.DataFrame, weight: np.ndarray, usual: np.ndarray) -> tuple[Any, Any]:
    """(replicates,) share that failed within the window, and the share that is usual."""
    share = cumulative_incidence(
        arm["followed_days"].to_numpy(np.int64),
        event=arm["failed"].to_numpy(),
        windows=[MISSED_WINDOW],
        weights=weight,
    )[:, 0]
    total = weight.sum(axis=1)
    empty = np.full(len(total), np.nan)
    return share, np.divide(weight @ usual, total, out=empty, where=total > 0)


def _part(
    part: str, group: pd.DataFrame, curves: Background, level: float
) -> tuple[list[Missed], TestContrast | None]:
    _, code = np.unique(group["cluster_id"].to_numpy().astype(str), return_inverse=True)
    rng = np.random.default_rng(SEED)
    clusters = int(code.max()) + 1
    usual, covered = usual_share(
        part, group["family"].to_numpy(), group["age_days"].to_numpy(float), curves
    )
    tail = [(1 - level) / 2, (1 + level) / 2]
    rows, beyond_of, sizes, events, told_of = [], {}, {}, {}, {}
    tests = {test: (group["test"] == test).to_numpy() for test in sorted(group["test"].unique())}
    drawn: dict[Any, list[tuple[np.ndarray, np.ndarray]]] = {test: [] for test in tests}
    for size in [0, *replicate_blocks(REPLICATES, rows=len(group))]:  # the records themselves first
        weight = np.ones((1, len(group)))
        if size:
            weight = rng.poisson(1.0, size=(size, clusters))[:, code].astype(float)
        for test, mine in tests.items():
            drawn[test].append(_shares(group[mine], weight[:, mine], usual[mine]))
    for test, mine in tests.items():
        arm = group[mine]
        failed = arm["failed"].to_numpy()
        days = arm["followed_days"].to_numpy(np.int64)
        share, base = (np.concatenate(blocks) for blocks in zip(*drawn[test], strict=True))
        beyond = share - base
        seen = int((failed & (days <= MISSED_WINDOW)).sum())
        low, high = np.nanquantile(share[1:], tail)
        ends = np.nanquantile(beyond[1:], tail)
        if seen < FEW_EVENTS:  # resampled shares bunch at 0: Wilson's limits, the usual held
            known = int(((failed & (days <= MISSED_WINDOW)) | (days >= MISSED_WINDOW)).sum())
            low, high = _few(share, seen, known, level)
            ends = np.array([low, high]) - base[0]
        beyond_of[test], sizes[test] = beyond, len(arm)
        events[test] = seen
        told = told_of[test] = bool(covered[mine].mean() >= LEAST_COVERED)
        rows.append(
            Missed(
                test=str(test),
                kept=len(arm),
                unit_count=int(arm["unit_id"].nunique()),
                failed_within=seen,
                share=float(share[0]),
                ci=(float(low), float(high)),
                usual_share=float(base[0]) if told else None,
                beyond=float(beyond[0]) if told else None,
                beyond_ci=(float(ends[0]), float(ends[1])) if told else (None, None),
            )
        )
    both = ("cold_continuity", "hot_cycle")
    if min(sizes.get(test, 0) for test in both) < FEWEST_PASSED:
        return rows, None
    if min(events[test] for test in both) < FEW_EVENTS or not all(told_of[test] for test in both):
        return rows, None
    gap = beyond_of[both[0]] - beyond_of[both[1]]
    low, high = np.nanquantile(gap[1:], tail)
    return rows, TestContrast(
        window_days=MISSED_WINDOW, cold_minus_hot=float(gap[0]), ci=(float(low), float(high))
    )
