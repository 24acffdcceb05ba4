"""What should each van carry? A list with a reason for every line, and what it is worth."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from failstats.answers import wording as text
from failstats.answers.costs import Costs, read_costs
from failstats.answers.drawn import drawn as units_drawn
from failstats.answers.drawn import said_of
from failstats.answers.result import Warning_
from failstats.answers.stock_asked import (
    SECONDS,
    VanLimits,
    Wanted,
    limits_of,
    usual_days,
    wanted_of,
)
from failstats.answers.stock_backtest import back_test
from failstats.answers.stock_board import board_items, on_board
from failstats.answers.stock_demand import MONTHS, SEED, Demand, demand_of, past_scenarios
from failstats.answers.stock_depot import depot_rows, warranty_returns
from failstats.answers.stock_plan import VALUING, plan_van
from failstats.answers.stock_rows import (
    WOULD_HAVE,
    BackTest,
    Item,
    NaiveRule,
    SpendPoint,
    Step,
    Stock,
    VanList,
)
from failstats.answers.stock_shelf import StockShelf, shelf_of_catalogue
from failstats.errors import InputError
from failstats.estimate.stocking import Plan, finishes
from failstats.estimate.stocking_scenarios import Scenarios
from failstats.progress import Stages, each
from failstats.warehouse.session import Session

__all__ = ["BackTest", "Item", "NaiveRule", "Stock", "VanList", "stock"]

FEW_JOBS = 30  # below it the answer says that the van borrows
NEXT_SHOWN = 3

FORECASTING, LISTING = "what the next jobs will need", "the list of each van"
TRYING = "past cycles, each from what was known before it"
TIMES, TRYING_TAKES = {FORECASTING: 5.0, LISTING: 6.0}, 100.0  # seconds on the demo


def stock(
    session: Session,
    *,
    van: Sequence[str] = (),
    cycle: float | None = None,
    budget: float | None = None,
    volume: float | None = None,
    target: float | None = None,
    fix: dict[str, int] | None = None,
    exclude: Sequence[str] = (),
    pair: Sequence[str] = (),
    starting: str | dt.date | None = None,
    backtest: bool = False,
    costs: Costs | None = None,
    seconds: float = SECONDS,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Stock:
    """What should each van carry, and how many jobs does that finish on the first visit?

    Parameters
    ----------
    van : the vans; all that the records name where empty.
    cycle : days between restocks; default each van's own, else 28.
    budget, volume : limits (money, litres); default each van's own.
    target : share of jobs to finish on the first visit; then the least spend that does is sought.
    fix : item -> quantity that must be carried. exclude : items that must not be.
    pair : pair rules in force from now on, FIRST+SECOND=ACTION; see `pair_rules`.
    starting : first day of the cycle; default the day after the as-of date.
    backtest : try the plan on past cycles too, each from what was known before it.
    costs : what a return visit and holding cost.
    seconds : time per van for a mixed-integer program, where the search alone proves too little.
    progress : called with each van.

    Returns
    -------
    Stock : one list per van.

    Raises
    ------
    InputError : no catalogue, an unknown van, item or part, a limit that is not positive.
    PlanError : a target out of reach (the message says the best reachable).

    Notes
    -----
    A job is finished when every item it needs is still on the van as it comes, in order of
    arrival; jobs without a fault need nothing; jobs with a part that no field-fit item serves are
    never finished. Demand is a forecast from every part in service (`stock_demand`).
    """
    stage = Stages(progress, {**TIMES, **({TRYING: TRYING_TAKES} if backtest else {})})
    stage(FORECASTING)
    used = costs or read_costs(currency=_currency(session))
    shelf = shelf_of_catalogue(session)
    wanted = wanted_of(
        session, shelf, used, cycle=cycle, budget=budget, volume=volume, target=target,
        fix=fix, exclude=exclude, pair=pair, starting=starting, seconds=seconds,
        level=confidence_level,
    )  # fmt: skip
    vans = session.run("stg_vans").set_index("van_id")
    known = demand_of(
        session, days=usual_days(vans, cycle), starting=wanted.starting, progress=progress
    ).vans
    strange = [name for name in van if name not in known]
    if strange:
        raise InputError(
            f"--van must name a van of the records, but {', '.join(strange)} is not one.",
            where="known: " + ", ".join(known),
            do="correct the van.",
        )
    warnings = [*said_of(session), *units_drawn(session)]
    assumed = used.warning()
    if assumed:
        warnings.append(Warning_(code=assumed[0], text=assumed[1]))
    rows: list[VanList] = []
    notes: list[str] = []
    drawn: dict[str, tuple[Scenarios, int]] = {}
    demand = None
    stage(LISTING)
    for name in each(progress, van or known, lambda name: f"van {name}"):
        limits = limits_of(vans, name, wanted)
        demand = demand_of(session, days=limits.days, starting=wanted.starting)
        if not van and demand.expected(name) < 0.5 and demand.jobs_of(name).empty:
            notes.append(f"van {name} has no jobs and no units; it has no list")
            continue
        found, fresh = plan_van(shelf, demand, name, limits, wanted)
        drawn[name] = (fresh, limits.days)
        notes += _notes(name, found, demand, wanted)
        rows.append(_list(session, name, limits, found, shelf, demand, fresh))
    summary: dict[str, Any] = {
        "vans": len(rows),
        "spend": sum(row.spend for row in rows),
        "jobs": 0 if demand is None else len(demand.jobs),
        **(_hopeless(demand, shelf) if demand is not None else {}),
        "demand": "every part in service by its age, family, vent and standing, newcomers at their "
        "past rate, season, and the sets that past jobs needed",
        "notes": notes,
        "depot": depot_rows(shelf, drawn, used),
        "warranty_returns": (
            [] if demand is None else warranty_returns(session, demand, shelf, used)
        ),
    }
    if backtest:
        stage(TRYING)
        tests, proof = back_test(session, [row.van for row in rows], wanted, vans, progress)
        rows = [_with_test(row, tests.get(row.van)) for row in rows]
        summary["backtest"] = proof
    return Stock(
        as_of=session.as_of.isoformat(),
        settings=_settings(session, used, wanted, fix or {}, exclude, pair),
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


# --- one van -----------------------------------------------------------------------------------


def _notes(van: str, found: Plan, demand: Demand, wanted: Wanted) -> list[str]:
    notes = []
    mine = len(demand.jobs_of(van))
    if mine < FEW_JOBS:
        notes.append(
            f"van {van} has only {mine} job{'' if mine == 1 else 's'} in the last "
            f"{MONTHS} months; what its jobs need is borrowed from the company's"
        )
    notes += [f"van {van}: {note.rstrip('.')}" for note in found.warnings]
    target = wanted.target
    if target is not None and found.completion < target and not found.warnings:
        notes.append(
            f"van {van}: the target was met on the cycles the list was chosen on; on fresh ones "
            f"{text.share(found.completion)} of the jobs are finished"
        )
    return notes


def _list(
    session: Session,
    van: str,
    limits: VanLimits,
    found: Plan,
    shelf: StockShelf,
    demand: Demand,
    fresh: Scenarios,
) -> VanList:
    """One van's list in the words of the contract."""
    last = demand.last_cycle(van)
    jobs, then = float(fresh.jobs_per_cycle.mean()), len(last)
    saved = np.zeros(len(shelf.item_id))
    if then:
        saved = finishes(found.quantity, scenarios=past_scenarios(last, shelf))
    board = on_board(session, van, shelf)
    items = []
    for place in np.argsort(-found.finishes, kind="stable"):
        item, quantity = shelf.item_id[place], int(found.quantity[place])
        change, said = board_items(board, item, quantity)
        if quantity == 0 and not change:
            continue
        items.append(
            Item(
                item_id=item,
                part=shelf.part[item],
                families=shelf.families[item],
                quantity=quantity,
                price=float(shelf.price[place]),
                why=_why(quantity, round(saved[place]), then, float(found.finishes[place])) + said,
                last_cycle=round(saved[place]),
                jobs_per_cycle=float(found.finishes[place]),
                change=change,
            )
        )
    items += [] if board is None else board.strangers(shelf)
    low, high = found.completion_ci
    return VanList(
        van=van,
        cycle_days=float(limits.days),
        jobs_expected=jobs,
        budget=limits.budget,
        aim={"jobs": "most jobs finished", "spend": "least spend", "cost": "least cost"}[found.aim],
        items=items,
        completion=found.completion,
        completion_ci=(min(low, found.completion), max(high, found.completion)),
        cost_per_cycle=found.cost_per_cycle,
        spend=found.spend,
        volume_l=found.volume,
        optimum_gap=found.optimum_gap,
        spend_curve=[SpendPoint(spend=s, completion=c) for s, c in found.spend_curve],
        next_best=[_step(shelf, *step) for step in found.next_best[:NEXT_SHOWN]],
        next_50=None if found.more is None else _step(shelf, *found.more),
        drop_first=[
            _step(shelf, (item,), price, -loss)
            for item, price, loss in found.drop_first[:NEXT_SHOWN]
        ],
        backtest=None,
    )


def _why(quantity: int, saved: int, then: int, coming: float) -> str:
    if quantity == 0:
        return "not on the list"
    if not then:
        return f"no job in the last cycle; {coming:.1f} a cycle"
    past = "none" if saved <= 0 else str(saved)
    return f"{WOULD_HAVE}{past} of the last {then} jobs; {coming:.1f} a cycle"


def _step(shelf: StockShelf, items: Sequence[int], price: float, completion: float) -> Step:
    return Step(items=[shelf.item_id[i] for i in items], price=price, completion=completion)


def _with_test(row: VanList, test: BackTest | None) -> VanList:
    return replace(row, backtest=test)


# --- around the lists ----------------------------------------------------------------------------


def _currency(session: Session) -> str:
    found = session.scalar("select value from raw.settings where name = 'currency'")
    return str(found) if found else "USD"


def _hopeless(demand: Demand, shelf: StockShelf) -> dict[str, Any]:
    """Jobs that no van can finish: a part without an item that can be fitted in the field."""
    lost = 0
    parts: dict[str, int] = {}
    for family, needs in zip(demand.jobs["family"], demand.jobs["needs"], strict=True):
        without = [part for part in needs if shelf.need(family, [part]) is None]
        lost += bool(without)
        for part in without:
            parts[part] = parts.get(part, 0) + 1
    return {
        "never_finished_share": lost / max(len(demand.jobs), 1),
        "never_finished_parts": parts,
    }


def _settings(
    session: Session,
    used: Costs,
    wanted: Wanted,
    fix: dict[str, int],
    exclude: Sequence[str],
    pair: Sequence[str],
) -> dict[str, Any]:
    return {
        **session.choices,
        "currency": used.currency,
        "months": MONTHS,
        "cycle_days": wanted.cycle,
        "starting": wanted.starting,
        "budget": wanted.budget,
        "volume_l": wanted.volume,
        "target": wanted.target,
        "fix": fix,
        "exclude": list(exclude),
        "pair": list(pair),
        "seed": SEED,
        "cycles_simulated": VALUING,
        "confidence_level": wanted.level,
        "costs": {key: float(value) for key, value in used.values.items()},
        "costs_file": used.file,
    }
