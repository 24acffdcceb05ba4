"""Failures of one unit again and again: how many by each age, and whether they come faster.

Two passes over rows by unit, where the rows are: the first counts, the second, which knows the
counts of all units, adds up variances.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from failstats.answers.lives_ages import UNIT_COLUMNS
from failstats.answers.lives_fits import number
from failstats.answers.lives_rows import (
    YEAR_DAYS,
    RecurrenceDifference,
    RecurrencePoint,
    RecurrenceTrend,
)
from failstats.estimate.recurrence import (
    MeanCumulative,
    RecurrenceCounts,
    mean_cumulative,
    mean_cumulative_difference,
    recurrence_counts,
    variance_steps,
)
from failstats.estimate.recurrence_trend import TrendSums, trend_of_sums, trend_sums
from failstats.warehouse.session import Session
from failstats.warehouse.sums import plus

__all__ = ["Recurrences", "mean_counts", "recurrences", "recurrences_apart", "trend_with_age"]

ROWS_AT_ONCE = 500_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recurrences:
    """Watched contract units and the failures of one part on them, counted.

    all : over all units. groups : value of `column` -> the same; none where it was not asked for.
    """

    session: Session
    part: str
    column: str | None
    all: RecurrenceCounts
    groups: dict[str, RecurrenceCounts]
    trend: TrendSums

    def cumulative(
        self, asked: Sequence[tuple[tuple[str, ...] | None, RecurrenceCounts]], ages: Any = None
    ) -> list[MeanCumulative]:
        """Failures per unit, with variances, of some groups of units (None: of all).

        Parameters
        ----------
        ages : at which the variance is wanted; None for every age with failures.
        """
        found = self.session.add_units(
            _variances, self.part, self.column, tuple(asked), ages, reading=("lives_recurrence",)
        )
        return [
            mean_cumulative(total, _steps(total, variance, ages))
            for (_, total), variance in zip(asked, found, strict=True)
        ]


def _steps(total: RecurrenceCounts, variance: np.ndarray, ages: Any) -> np.ndarray:
    """Variances as steps from one age with failures to the next."""
    if ages is None:
        return np.diff(variance, prepend=0.0)
    steps = np.zeros(total.age.size)
    place = np.searchsorted(total.age, ages, side="right") - 1
    there = place >= 0
    np.add.at(steps, place[there], np.diff(variance[there], prepend=0.0))
    return steps


def _rows(session: Session, part: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Watched units, and failures with the row of their unit."""

    def make() -> tuple[pd.DataFrame, pd.DataFrame]:
        tables = list(_narrow(session.batches("lives_recurrence", rows=ROWS_AT_ONCE, part=part)))
        if not tables:  # no unit was watched
            columns = ["entry_days", "exit_days", *UNIT_COLUMNS]
            none = {"event_days": np.zeros(0), "row": np.zeros(0, dtype=np.int64)}
            return pd.DataFrame(columns=columns), pd.DataFrame(none)
        rows = pa.concat_tables(tables).unify_dictionaries().to_pandas()
        who = rows["is_new"].cumsum().to_numpy() - 1
        units = rows.loc[rows["is_new"], ["entry_days", "exit_days", *UNIT_COLUMNS]]
        watched = (units["exit_days"] > units["entry_days"]).to_numpy()
        place = np.where(watched, np.cumsum(watched) - 1, -1)[who]
        event = rows["event_days"].to_numpy(float)
        with np.errstate(invalid="ignore"):
            counts = (event > rows["entry_days"].to_numpy()) & (place >= 0)
        events = pd.DataFrame({"event_days": event[counts], "row": place[counts]})
        return units[watched].reset_index(drop=True), events

    held: tuple[pd.DataFrame, pd.DataFrame] = session.hold(("lives_recurrence", part), make)
    return held


def _narrow(batches: Iterable[pa.RecordBatch]) -> Iterator[pa.Table]:
    """Rows sorted by unit and span without their ids: is_new says where another unit, or another
    span of it, begins; texts are numbers of a list."""
    before: tuple[Any, Any] | None = None
    for batch in batches:
        if not batch.num_rows:
            continue
        unit, span = batch.column("unit_id"), batch.column("span")
        is_new = np.ones(batch.num_rows, dtype=bool)
        is_new[0] = (unit[0].as_py(), span[0].as_py()) != before
        for column in (unit, span):
            same = pc.equal(column.slice(1), column.slice(0, len(column) - 1))
            is_new[1:] &= same.to_numpy(zero_copy_only=False).astype(bool)
        is_new[1:] = ~is_new[1:]
        before = (unit[-1].as_py(), span[-1].as_py())
        days = {
            name: pc.cast(batch.column(name), pa.float32() if name == "event_days" else pa.int32())
            for name in ("entry_days", "exit_days", "event_days")
        }
        words = {name: batch.column(name).dictionary_encode() for name in UNIT_COLUMNS}
        yield pa.table({"is_new": pa.array(is_new), **days, **words})


def _arguments(
    rows: tuple[pd.DataFrame, pd.DataFrame], column: str | None, values: Sequence[str] | None
) -> dict[str, Any]:
    """Rows of some groups of units as the estimators take them."""
    units, events = rows
    if values is not None:
        mine = units[column].isin(values).to_numpy()
        events = events[mine[events["row"].to_numpy()]]
        events = events.assign(row=(np.cumsum(mine) - 1)[events["row"].to_numpy()])
        units = units[mine]
    return {
        "event_unit": events["row"].to_numpy(np.int64),
        "event_age": events["event_days"].to_numpy(float),
        "unit_entry": units["entry_days"].to_numpy(float),
        "unit_exit": units["exit_days"].to_numpy(float),
    }


def _counted(
    session: Session, part: str, column: str | None
) -> tuple[int, RecurrenceCounts, dict[str, RecurrenceCounts], TrendSums]:
    rows = _rows(session, part)
    every = _arguments(rows, column, None)
    groups = [] if column is None else sorted(rows[0][column].dropna().unique())
    return (
        len(rows[0]),
        recurrence_counts(**every),
        {str(group): recurrence_counts(**_arguments(rows, column, [group])) for group in groups},
        trend_sums(**every),
    )


def _variances(
    session: Session,
    part: str,
    column: str | None,
    asked: tuple[tuple[tuple[str, ...] | None, RecurrenceCounts], ...],
    ages: Any,
) -> tuple[np.ndarray, ...]:
    rows = _rows(session, part)
    found = []
    for values, total in asked:
        running = np.cumsum(variance_steps(total, **_arguments(rows, column, values)))
        if ages is not None:
            place = np.searchsorted(total.age, ages, side="right")
            running = np.concatenate([[0.0], running])[place]
        found.append(running)
    return tuple(found)


def recurrences(session: Session, part: str, by: Sequence[str] = ()) -> Recurrences | None:
    """Watched contract units and the failures of this part on them; None where there are none."""
    column = by[0] if len(by) == 1 and by[0] in UNIT_COLUMNS else None
    units, total, groups, trend = session.add_units(
        _counted, part, column, reading=("lives_recurrence",)
    )
    if not units or not total.age.size:
        return None
    return Recurrences(
        session=session,
        part=part,
        column=column,
        all=total,
        groups={key: groups[key] for key in sorted(groups)},
        trend=trend,
    )


def mean_counts(found: Recurrences | None, level: float) -> list[RecurrencePoint]:
    """Mean cumulative number of failures per contract unit, by unit age."""
    if found is None:
        return []
    [mean] = found.cumulative([(None, found.all)])
    low, high = mean.interval(level)
    return [
        RecurrencePoint(
            age_days=float(a), at_risk=int(n), mean_count=float(m), ci=(number(lo), number(hi))
        )
        for a, n, m, lo, hi in zip(mean.age, mean.at_risk, mean.mean, low, high, strict=True)
    ]


def trend_with_age(found: Recurrences | None) -> RecurrenceTrend | None:
    """Whether failures of one unit come faster as it ages (Laplace); None without failures."""
    if found is None:
        return None
    test = trend_of_sums(found.trend)
    return RecurrenceTrend(events=test.events, statistic=test.statistic, p_value=test.p_value)


def recurrences_apart(found: Recurrences | None, level: float) -> list[RecurrenceDifference]:
    """Failures per unit of each group against the rest (of two groups, against the other)."""
    if found is None or len(found.groups) < 2:
        return []
    groups = list(found.groups)
    out = []
    for group in groups[:1] if len(groups) == 2 else groups:
        others = tuple(other for other in groups if other != group)
        first = found.groups[group]
        second = reduce(plus, (found.groups[other] for other in others))
        if not first.age.size or not second.age.size:
            continue
        until = min(first.followed_to, second.followed_to)
        ages = YEAR_DAYS * np.arange(1, int(until // YEAR_DAYS) + 1)
        apart = found.cumulative([((group,), first), (others, second)], ages)
        one = mean_cumulative_difference(apart[0], second=apart[1], ages=ages)
        low, high = one.interval(level)
        out += [
            RecurrenceDifference(
                first=group,
                second=others[0] if len(groups) == 2 else "the rest",
                age_days=float(a),
                difference=float(d),
                ci=(number(lo), number(hi)),
            )
            for a, d, lo, hi in zip(one.age, one.difference, low, high, strict=True)
        ]
    return out
