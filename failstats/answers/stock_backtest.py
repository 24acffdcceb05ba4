"""Past cycles planned from what was known before each: promised against realised, and against
simple rules at the same spend."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.stock_asked import VanLimits, Wanted, limits_of
from failstats.answers.stock_demand import Demand, demand_of, past_scenarios
from failstats.answers.stock_plan import plan_van
from failstats.answers.stock_rows import BackTest, NaiveRule
from failstats.answers.stock_shelf import StockShelf, shelf_of_catalogue
from failstats.errors import FailstatsError, InputError
from failstats.estimate.stocking import completed_per_cycle
from failstats.estimate.stocking_rules import RULES
from failstats.progress import each
from failstats.warehouse.session import Session

__all__ = ["TriedCycle", "back_test", "tried_cycles"]

VAN_CYCLES = 40  # tried at least, where the records reach back so far
CYCLES = 12  # of each van at least
BEFORE_DAYS = 365  # of records before the first cycle that is tried
LAST_YEAR_DAYS = 365
PROMISED = 0.9  # share of cycles that should fall into the promised range


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedCycle:
    """One van in one past cycle.

    start : last day before it. jobs, done : that came, and finished by the list. promised, low,
    high : completion and its 90 % range, promised before. spend : of the list. rules : name ->
    (jobs finished, spend) of the simple rules.
    """

    van: str
    start: dt.date
    days: int
    jobs: int
    done: int
    promised: float
    low: float
    high: float
    spend: float
    rules: dict[str, tuple[int, float]]

    @property
    def inside(self) -> bool:
        """Whether the realised completion lay within the promised range."""
        return self.low - 1e-9 <= self.done / self.jobs <= self.high + 1e-9


def _starts(session: Session, days: int, cycles: int) -> list[dt.date]:
    first = dt.date.fromisoformat(session.choices["records_from"])
    starts = [session.as_of - dt.timedelta(days=days * k) for k in range(1, cycles + 1)]
    return [day for day in starts if (day - first).days >= BEFORE_DAYS]


def tried_cycles(
    session: Session,
    vans: Sequence[str],
    wanted: Wanted,
    limits: dict[str, VanLimits],
    *,
    cycles: int,
    skip: int = 0,
    progress: Callable[[str], None] | None = None,
) -> list[TriedCycle]:
    """Every van in each of the last cycles: planned with what was known before, then run.

    Parameters
    ----------
    cycles : how many per van; fewer where the records do not reach back.
    skip : of these, leave out so many of the latest.
    """
    out = []
    for days in sorted({limits[van].days for van in vans}):
        mine = [van for van in vans if limits[van].days == days]
        starts = _starts(session, days, cycles)[skip:]
        if not starts:
            continue
        happened = session.run("stock_jobs", starts=starts, days=days)
        for start in each(progress, starts, lambda start: f"the cycle after {start}"):
            then = happened[pd.to_datetime(happened["landmark_on"]).dt.date == start]
            with session.before(start) as earlier:
                shelf = shelf_of_catalogue(earlier)
                demand = demand_of(earlier, days=days)
                for van in mine:
                    came = then[then["van_id"] == van]
                    if van in demand.vans and len(came):
                        out.append(_tried(shelf, demand, van, came, limits[van], wanted))
    return out


def _tried(
    shelf: StockShelf,
    demand: Demand,
    van: str,
    came: pd.DataFrame,
    limits: VanLimits,
    wanted: Wanted,
) -> TriedCycle:
    found, _ = plan_van(shelf, demand, van, limits, wanted)
    real = past_scenarios(came, shelf)
    low, high = found.interval(confidence_level=PROMISED)
    room = np.inf if limits.room is None else limits.room
    used = _use_last_year(demand, van, shelf)
    rules = {}
    for name, rule in RULES.items():
        stock = rule(used, price=shelf.price, volume=shelf.volume_l, spend=found.spend, room=room)
        done = int(completed_per_cycle(stock, scenarios=real).sum())
        rules[name] = (done, float(stock @ shelf.price))
    return TriedCycle(
        van=van,
        start=demand.last_on,
        days=demand.days,
        jobs=len(came),
        done=int(completed_per_cycle(found.quantity, scenarios=real).sum()),
        promised=found.completion,
        low=low,
        high=high,
        spend=found.spend,
        rules=rules,
    )


def _use_last_year(demand: Demand, van: str, shelf: StockShelf) -> np.ndarray:
    """(items,) units per cycle that the van's jobs of the last year needed."""
    mine = demand.jobs_of(van)
    opened = pd.to_datetime(mine["opened_on"])
    first = max(
        pd.Timestamp(demand.last_on) - pd.Timedelta(days=LAST_YEAR_DAYS - 1),
        pd.Timestamp(demand.first_on),
    )
    mine = mine[opened >= first]
    used = np.zeros(len(shelf.item_id))
    for family, parts in zip(mine["family"], mine["needs"], strict=True):
        for item, count in (shelf.need(family, list(parts)) or {}).items():
            used[item] += count
    days = (pd.Timestamp(demand.last_on) - first).days + 1
    return used * demand.days / max(days, 1)


def back_test(
    session: Session,
    vans: Sequence[str],
    wanted: Wanted,
    stated: pd.DataFrame,
    progress: Callable[[str], None] | None = None,
) -> tuple[dict[str, BackTest], dict[str, Any]]:
    """Try the plan on past cycles.

    Parameters
    ----------
    stated : the table of vans, by van.

    Returns
    -------
    Van -> its back-test; and all vans together, with what the plan loses to.

    Raises
    ------
    InputError : the records are too short for a single cycle.
    """
    limits = {van: limits_of(stated, van, wanted) for van in vans}
    cycles = max(CYCLES, -(-VAN_CYCLES // max(len(vans), 1)))
    try:
        tried = tried_cycles(session, vans, wanted, limits, cycles=cycles, progress=progress)
    except FailstatsError as fault:
        raise type(fault)(
            f"in a past cycle: {fault.what}", where=fault.where, do=fault.do
        ) from None
    if not tried:
        raise InputError(
            f"a back-test needs a cycle with jobs after {BEFORE_DAYS} days of records, but there "
            "is none.",
            where="--backtest",
            do="leave --backtest out, or shorten --cycle.",
        )
    by_van = {
        van: _summed([one for one in tried if one.van == van])
        for van in vans
        if any(one.van == van for one in tried)
    }
    whole = _summed(tried)
    proof = {
        "van_cycles": len(tried),
        "jobs": whole.jobs,
        "promised": whole.promised,
        "realised": whole.realised,
        "inside_90": whole.inside_90,
        "spend": whole.spend,
        "naive": [
            {"rule": rule.rule, "realised": rule.realised, "spend": rule.spend}
            for rule in whole.naive
        ],
        "loses": _losses(by_van),
        "enough": len(tried) >= VAN_CYCLES,
    }
    return by_van, proof


def _summed(tried: list[TriedCycle]) -> BackTest:
    jobs = sum(one.jobs for one in tried)
    first = min(one.start for one in tried) + dt.timedelta(days=1)
    last = max(one.start + dt.timedelta(days=one.days) for one in tried)
    return BackTest(
        from_=first.isoformat(),
        to=last.isoformat(),
        cycles=len(tried),
        jobs=jobs,
        promised=sum(one.promised * one.jobs for one in tried) / jobs,
        realised=sum(one.done for one in tried) / jobs,
        inside_90=sum(one.inside for one in tried) / len(tried),
        spend=sum(one.spend for one in tried) / len(tried),
        naive=[
            NaiveRule(
                rule=name,
                realised=sum(one.rules[name][0] for one in tried) / jobs,
                spend=sum(one.rules[name][1] for one in tried) / len(tried),
            )
            for name in RULES
        ],
    )


def _losses(by_van: dict[str, BackTest]) -> list[str]:
    """Where a simple rule finished more of the jobs than the plan."""
    return [
        f"van {van}: {rule.rule} finished {rule.realised:.1%}, the plan {test.realised:.1%}"
        for van, test in by_van.items()
        for rule in test.naive
        if rule.realised > test.realised
    ]
