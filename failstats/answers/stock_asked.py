"""What was asked of the vans, checked against the records before any van is planned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.answers.costs import Costs
from failstats.answers.stock_pairs import PairRule, pair_rules
from failstats.answers.stock_shelf import StockShelf
from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = ["CYCLE_DAYS", "SECONDS", "VanLimits", "Wanted", "limits_of", "usual_days", "wanted_of"]

CYCLE_DAYS = 28.0
SECONDS = 60.0
FURTHEST_START = 366  # days ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was asked of every van, checked; None: the van's own, else none."""

    cycle: float | None
    budget: float | None
    volume: float | None
    target: float | None
    fixed: dict[int, int]
    excluded: list[int]
    rules: list[PairRule]
    starting: dt.date | None
    seconds: float
    level: float
    holding_rate: float
    return_cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VanLimits:
    """One van's cycle and limits."""

    days: int
    budget: float | None
    room: float | None


def wanted_of(
    session: Session,
    shelf: StockShelf,
    used: Costs,
    *,
    cycle: float | None = None,
    budget: float | None = None,
    volume: float | None = None,
    target: float | None = None,
    fix: Mapping[str, int] | None = None,
    exclude: Sequence[str] = (),
    pair: Sequence[str] = (),
    starting: str | dt.date | None = None,
    seconds: float = SECONDS,
    level: float = 0.95,
) -> Wanted:
    """What was asked, checked against the records; see `stock`."""
    fix = fix or {}
    for option, limit in (("--budget", budget), ("--volume", volume), ("--cycle", cycle)):
        if limit is not None and not (np.isfinite(limit) and limit > 0):
            raise InputError(
                f"{option} must be above 0, but is {limit}.", where=option, do="correct it."
            )
    if cycle is not None and cycle < 1:
        raise InputError(
            f"--cycle must be at least a day, but is {cycle}.", where="--cycle", do="correct it."
        )
    if target is not None and not 0 < target <= 1:
        raise InputError(
            f"--target must be a share above 0 and at most 1, but is {target}.",
            where="--target",
            do="write 0.85 for 85 %.",
        )
    if volume is not None and not shelf.volume_l.any():
        raise InputError(
            "a limit on room needs the volume of the items, but the catalogue states none.",
            where="--volume",
            do="fill in volume in the catalogue, or leave --volume out.",
        )
    column = shelf.column
    unknown = [item for item in (*fix, *exclude) if item not in column]
    if unknown:
        raise InputError(
            "--fix and --exclude must name items that can go on a van, but "
            f"{', '.join(unknown)} cannot.",
            where="known: " + ", ".join(shelf.item_id),
            do="correct the item.",
        )
    return Wanted(
        cycle=cycle,
        budget=budget,
        volume=volume,
        target=target,
        fixed={column[item]: number for item, number in fix.items()},
        excluded=[column[item] for item in exclude],
        rules=pair_rules(session, pair),
        starting=_starting(session, starting),
        seconds=seconds,
        level=level,
        holding_rate=used["parts.holding_rate"],
        return_cost=used["visit.return_unpaid"],
    )


def _starting(session: Session, given: str | dt.date | None) -> dt.date | None:
    if given is None:
        return None
    try:
        day = given if isinstance(given, dt.date) else dt.date.fromisoformat(given)
    except ValueError:
        raise InputError(
            f"a date must be written as 2024-06-30, but --starting is {given!r}.",
            where="--starting",
            do="correct the date.",
        ) from None
    if not 0 < (day - session.as_of).days <= FURTHEST_START:
        raise InputError(
            f"--starting must lie within the year after the as-of date {session.as_of}, but it is "
            f"{day}.",
            where="--starting",
            do="choose a day within it, or another --as-of.",
        )
    return day


def usual_days(vans: pd.DataFrame, cycle: float | None) -> float:
    """The cycle asked for, else the one that most vans have."""
    if cycle is not None or vans.empty:
        return cycle or CYCLE_DAYS
    return float(vans["cycle_days"].mode().iloc[0])


def limits_of(vans: pd.DataFrame, name: str, wanted: Wanted) -> VanLimits:
    """The limits of one van: what was asked for, else its own."""
    own = vans.loc[name] if name in vans.index else None
    days = float(wanted.cycle or (own["cycle_days"] if own is not None else CYCLE_DAYS))
    budget, room = wanted.budget, wanted.volume
    if budget is None and wanted.target is None and own is not None and pd.notna(own["budget"]):
        budget = float(own["budget"])
    if room is None and own is not None and pd.notna(own["volume_l"]):
        room = float(own["volume_l"])
    return VanLimits(days=max(round(days), 1), budget=budget, room=room)
