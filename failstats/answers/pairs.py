"""Which parts fail and are replaced together, and what follows when only one is replaced?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.drawn import drawn, said_of
from failstats.answers.pairs_answer import Pairs
from failstats.answers.pairs_dependence import found_row, frailties, hidden_of, told_apart
from failstats.answers.pairs_follow import (
    FEWEST_INDEX_JOBS,
    REPLICATES,
    SEED,
    WINDOWS,
    Background,
    after_jobs,
    background,
    followed,
    index_jobs,
    pair_follow_on,
)
from failstats.answers.pairs_missed import MISSED_WINDOW, missed_by_test
from failstats.answers.pairs_rows import Frailty, Missed, Pair, TestContrast
from failstats.answers.pairs_together import (
    CALLED,
    checked_test,
    failed_together,
    joint_failure,
    replaced_together,
)
from failstats.answers.result import Warning_
from failstats.answers.wording import words
from failstats.errors import InputError
from failstats.estimate.intervals import wilson
from failstats.progress import Stages, each
from failstats.warehouse.session import Session

__all__ = [
    "FEWEST_INDEX_JOBS",
    "WINDOWS",
    "Pair",
    "Pairs",
    "index_jobs",
    "pair_follow_on",
    "pairs",
    "reach_days",
]

TIMES = {  # seconds on the demo
    "parts replaced together": 0.4,
    "the usual wear": 0.2,
    "what a test misses": 0.3,
    "which parts break early in the same dryers": 10.0,
    "what follows a repair": 0.5,
}


def pairs(
    session: Session,
    *,
    window: Sequence[int] = (),
    sensitivity: float | None = None,
    specificity: float | None = None,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Pairs:
    """Which parts go together, and does replacing both spare return visits?

    Parameters
    ----------
    window : days after the repair to look at; default 30, 90 and 365, as far as the records reach.
    sensitivity, specificity : of the look at the partner, where known; both or neither.
    progress : called with each pair whose follow-on is counted.

    Returns
    -------
    Pairs : every ordered pair of parts that call-outs replaced.

    Raises
    ------
    InputError : a window that is not a positive whole number of days; a test no better than a coin.

    Notes
    -----
    *Replaced together*: Wilson's interval of the share, lift, and the Mantel-Haenszel odds ratio
    over families, exact mid-p turned into q-values over all pairs (Benjamini and Hochberg 1995).
    *Failed together* is another question with its own odds ratio and q, among calls on which
    either failure could have been seen. *Follow-on* compares index jobs (first part replaced,
    partner not found failed) by whether the partner was replaced too: cumulative incidence of the
    next call-out failure of either part, with a Poisson bootstrap over units or buildings.
    """
    windows = _windows(session, window)
    test = checked_test(sensitivity, specificity)
    warnings = [*said_of(session), *drawn(session)]
    stage = Stages(progress, TIMES)
    stage("parts replaced together")
    frame = session.run("pairs_together")
    rows: list[Pair] = []
    if not frame.empty:
        together = replaced_together(frame, confidence_level)
        failed = session.run("pairs_failed")
        together = together.merge(
            failed_together(failed, confidence_level), on=["first", "second"], how="left"
        )
        stage("the usual wear")
        curves = background(session)
        stage("what a test misses")
        missed, contrasts = missed_by_test(session.some_units(), curves, confidence_level)
        names = list(zip(together["first"], together["second"], strict=True))
        stage("which parts break early in the same dryers")
        frailty = frailties(session, names, confidence_level, progress)
        counted = _Counted(
            windows=windows,
            level=confidence_level,
            curves=curves,
            missed=missed,
            contrasts=contrasts,
            failed=dict(list(failed.groupby(["first", "second"]))),
            frailty=frailty,
            test=test,
        )
        stage("what follows a repair")
        entries = each(
            progress,
            together.itertuples(),
            lambda entry: f"{words(entry.first)} and {words(entry.second)}",
        )
        rows = [_pair(session, entry, counted, warnings) for entry in entries]
    rows.sort(key=lambda p: (not p.difference, -p.episodes_both, p.first, p.second))
    settings = {
        **session.choices,
        "windows_days": list(windows),
        "confidence_level": confidence_level,
        "sensitivity": sensitivity,
        "specificity": specificity,
    }
    return Pairs(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=_summary(rows),
        results=tuple(rows),
    )


def reach_days(session: Session) -> int:
    """Days from the beginning of the records to the as-of date."""
    return (session.as_of - dt.date.fromisoformat(session.choices["records_from"])).days


def _windows(session: Session, window: Sequence[int]) -> tuple[int, ...]:
    """The days asked for, checked against the records' span."""
    reach = reach_days(session)
    windows = tuple(sorted(set(window)))
    if not windows:  # nobody asked: what the records reach over
        return tuple(days for days in WINDOWS if days <= reach) or WINDOWS[:1]
    if min(windows) < 1:
        raise InputError(
            f"--window must be a number of days above 0, but is {min(windows)}.",
            where="--window",
            do="give days, such as 365.",
        )
    if max(windows) > reach:
        raise InputError(
            f"--window must lie within the {reach} days of the records, but is {max(windows)}.",
            where="--window",
            do="give fewer days.",
        )
    return windows


def _summary(rows: Sequence[Pair]) -> dict[str, Any]:
    """What is called, and what the figures are about."""

    def named(chosen: Callable[[Pair], bool]) -> list[str]:
        return sorted(f"{p.first} + {p.second}" for p in rows if p.first < p.second and chosen(p))

    return {
        "pairs": len(rows),
        "replaced_together_beyond_chance": named(
            lambda p: p.q_value is not None and p.q_value < CALLED and (p.odds_ratio or 0) > 1
        ),
        "failed_together_beyond_chance": named(
            lambda p: p.failed_q_value is not None and p.failed_q_value < CALLED
        ),
        "pairing_spares_returns": [
            f"{p.first}, {p.second}"
            for p in rows
            if p.difference
            and p.difference[-1].weighted_ci is not None
            and p.difference[-1].weighted_ci[0] > 0
        ],
        "outcome": "next call-out failure of either part; a silent failure that a test turns up "
        "is none",
        "together_among": "call-outs in which a part failed or was replaced",
        "failed_together_among": "those of them on which either failure could have been seen "
        "(a part that fails silently: tested hot)",
        "missed_window_days": MISSED_WINDOW,
        "replicates": REPLICATES,
        "seed": SEED,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counted:
    """What all pairs share, counted once."""

    windows: tuple[int, ...]
    level: float
    curves: Background
    missed: dict[str, list[Missed]]
    contrasts: dict[str, TestContrast]
    failed: dict[Any, pd.DataFrame]
    frailty: dict[frozenset[str], Frailty]
    test: tuple[float, float] | None


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _pair(session: Session, entry: Any, counted: _Counted, warnings: list[Warning_]) -> Pair:
    """One ordered pair."""
    level, first, second = counted.level, entry.first, entry.second
    after, follow = [], None
    if entry.episodes_both >= FEWEST_INDEX_JOBS:
        jobs = index_jobs(session.some_units(), first, second)
        arms = jobs["both_replaced"].value_counts()
        if min(arms.get(True, 0), arms.get(False, 0)) >= FEWEST_INDEX_JOBS:
            after = after_jobs(jobs, first, second, counted.windows, counted.curves, level)
            follow = followed(jobs, counted.windows, level)
            if follow.difference[-1].weighted_difference is None:
                warnings.append(
                    Warning_(
                        code="low_overlap",
                        text=f"{first} and {second}: jobs with and without a new {second} are too "
                        f"unlike for a weighted comparison (only {100 * (follow.overlap or 0):.0f} "
                        "% of them could have gone either way); the crude difference may come "
                        "from what led to pairing.",
                    )
                )
    low, high = wilson(entry.episodes_both, of=entry.episodes_first, confidence_level=level)
    any_first = entry.episodes_first > 0
    told = told_apart(session, first, second)
    group = counted.failed.get((first, second))
    return Pair(
        first=first,
        second=second,
        episodes_first=entry.episodes_first,
        episodes_both=entry.episodes_both,
        unit_count=entry.unit_count,
        share=entry.episodes_both / entry.episodes_first if any_first else None,
        share_ci=(float(low), float(high)) if any_first else None,
        lift=_number(entry.lift),
        odds_ratio=_number(entry.odds_ratio),
        odds_ratio_ci=(_number(entry.odds_low), _number(entry.odds_high)),
        q_value=_number(entry.q_value),
        both_failed=entry.both_failed,
        failed_odds_ratio=_number(entry.failed_odds_ratio),
        failed_odds_ratio_ci=(_number(entry.failed_low), _number(entry.failed_high)),
        failed_q_value=_number(entry.failed_q_value),
        joint=None if group is None else joint_failure(group, test=counted.test, level=level),
        follow_on=after,
        difference=[] if follow is None else follow.difference,
        curve=[] if follow is None else follow.curve,
        overlap=None if follow is None else follow.overlap,
        overlap_bands=[] if follow is None else follow.overlap_bands,
        habit=None if follow is None else follow.habit,
        hidden=hidden_of(session, first, second, level),
        missed_by_test=counted.missed.get(second, []),
        test_contrast=counted.contrasts.get(second),
        frailty=counted.frailty.get(frozenset((first, second))),
        dependence=None if told is None else found_row(told),
    )
