"""What a van should carry until it is restocked: the plan, its value, and the reasons for it.

Three aims. A budget alone: most jobs finished on the first visit for it. A target share: least
spend that reaches it, with a budget as a limit if there is one. Neither: least cost per cycle, the
holding of the stock and the second visits together. The list is chosen on one set of possible
cycles and valued on others, for a list always looks too good on the cycles it was chosen for.

References: all-or-nothing terms, Teunter (2006) and Bijvank, Koole and Vis (2010); the bias of
the in-sample optimum and the bound, Mak, Morton and Wood (1999).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError, PlanError
from failstats.estimate.stocking_bound import best_possible, bounded_part, gap_to
from failstats.estimate.stocking_limits import Aim, Shelf, aim_of, shelf_of, worth
from failstats.estimate.stocking_reasons import (
    drop_first,
    finishes,
    jobs_lost,
    next_best,
    next_money,
    rising,
)
from failstats.estimate.stocking_scenarios import (
    Engine,
    Rule,
    Scenarios,
    State,
    completed_per_cycle,
    completion,
)
from failstats.estimate.stocking_search import climb, search

__all__ = ["Plan", "Scenarios", "completed_per_cycle", "completion", "finishes", "plan"]

CURVE_POINTS = 24
CURVE_BEYOND = 1.5  # the curve runs on to this many times the spend of the list
RAISES = 5  # times the inner target is raised when the checking cycles fall short of the target
WEAK_SECONDS = 10.0  # allowed for the bound without whole numbers; it takes well under one
NEAR = 0.0025  # share; a list proven this near the best is good enough to stop looking
CLOSE_ENOUGH = 0.005  # share; a list proven this near the best needs no program of whole numbers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """What to carry, what it is promised to do, and what more or less would do.

    Attributes
    ----------
    aim : ``jobs`` (budget), ``spend`` (target) or ``cost`` (neither).
    quantity : (items,) units to carry.
    completion : share of jobs finished on the first visit, on the fresh cycles.
    completion_ci : (low, high), the narrowest range that holds the share of *one* cycle as often
        as the level says; a share near 1 has its doubt below.
    completion_error : standard error of ``completion`` from the number of fresh cycles.
    spend, volume : of the whole list.
    cost_per_cycle : holding and second visits, where both prices were given; else None.
    optimum_gap : how far the list may be from the best possible, as a share: of the jobs
        (``jobs``), of the spend (``spend``) or of the cost (``cost``); an upper figure, measured
        on the cycles of the search. None when no bound was found.
    spend_curve : (spend, completion) points, both rising.
    next_best : (items, price, gain): what to add next, the most completion per money first.
    drop_first : (item, price, loss): one pack of what is carried, the least loss per money first.
    more : (items, price, gain): what ``more_money`` beyond the spend would buy; None for nothing.
    finishes : (items,) jobs per cycle that would break if the item were taken off altogether.
    warnings : sentences to print beside the list.
    cycle_completed, cycle_jobs : (fresh cycles,) what ``interval`` rests on.
    """

    aim: Literal["jobs", "spend", "cost"]
    quantity: NDArray[np.int64]
    completion: float
    completion_ci: tuple[float, float]
    completion_error: float
    spend: float
    volume: float
    cost_per_cycle: float | None
    optimum_gap: float | None
    spend_curve: tuple[tuple[float, float], ...]
    next_best: tuple[tuple[tuple[int, ...], float, float], ...]
    drop_first: tuple[tuple[int, float, float], ...]
    more: tuple[tuple[int, ...], float, float] | None
    finishes: NDArray[np.float64]
    warnings: tuple[str, ...]
    cycle_completed: NDArray[np.int64]
    cycle_jobs: NDArray[np.int64]

    def interval(self, *, confidence_level: float = 0.95) -> tuple[float, float]:
        """The narrowest range that holds the completion of so many of the coming cycles."""
        return _cycle_range(self.cycle_completed, self.cycle_jobs, confidence_level)


def _cycle_range(
    done: NDArray[np.int64], jobs: NDArray[np.int64], confidence_level: float
) -> tuple[float, float]:
    if not 0 < confidence_level < 1:
        raise InputError(
            f"confidence_level must lie between 0 and 1, but is {confidence_level}.",
            do="give a share such as 0.95.",
        )
    some = jobs > 0
    share = np.sort(done[some] / jobs[some])
    held = max(int(np.ceil(confidence_level * share.size - 1e-9)), 1)
    width = share[held - 1 :] - share[: share.size - held + 1]
    # of equally narrow ones the middle one
    narrow = np.flatnonzero(width <= width.min() + 1e-12)
    first = int(narrow[narrow.size // 2])
    return float(share[first]), float(share[first + held - 1])


def plan(
    scenarios: Scenarios,
    *,
    price: ArrayLike,
    volume: ArrayLike | None = None,
    budget: float | None = None,
    volume_limit: float | None = None,
    target: float | None = None,
    holding: float | None = None,
    return_cost: float | None = None,
    fixed: Mapping[int, int] | None = None,
    excluded: Iterable[int] = (),
    pack_size: ArrayLike | None = None,
    evaluate: Scenarios | None = None,
    rule: Rule = "all_or_nothing",
    seconds: float = 0.0,
    more_money: float = 50.0,
    confidence_level: float = 0.95,
) -> Plan:
    """Say what one van should carry, and what that list is worth.

    Parameters
    ----------
    scenarios : possible next cycles to choose the list on, in no particular order.
    price, volume : (items,) per unit.
    budget, volume_limit : limits on the whole list.
    target : share of jobs to finish on the first visit, between 0 and 1.
    holding : money per cycle for one unit of price carried (yearly rate x cycle days / 365.25).
    return_cost : money for a job that needs a second visit.
    fixed : {item: quantity} that must be carried exactly.
    excluded : items that must not be carried.
    pack_size : (items,) units that are only carried together; default 1.
    evaluate : fresh cycles to value the list on. Without, the last third of ``scenarios`` is kept
        back for it. With a target every other one checks the target, the rest value the list.
    seconds : time for a mixed-integer program where the weaker bound leaves the list more than half
        a per cent from the best; 0 leaves it out.
    more_money : what the next so much money would buy is looked up too.

    Returns
    -------
    A :class:`Plan`. The same input gives the same list, except through the time limit.

    Raises
    ------
    InputError : figures that cannot be used, or an aim without the prices it needs.
    PlanError : a target out of reach (the best reachable is named), fixed items over the limits.

    Notes
    -----
    Marginal analysis on whole lists of lacking parts, then swaps, from several starts. The bound
    lets each cycle finish its best set of jobs; a van works in order of arrival, so part of the gap
    is the order and not the list.

    Examples
    --------
    >>> cycles = Scenarios.from_sets([[{0: 1, 1: 1}], [{1: 1}], [{0: 1, 1: 1}]] * 20, items=2)
    >>> best = plan(cycles, price=[5.0, 2.0], budget=7.0)
    >>> best.quantity.tolist(), best.completion
    ([1, 1], 1.0)
    """
    chosen_on, check, fresh = _split(scenarios, evaluate, checked=target is not None)
    engine = Engine(chosen_on, rule=rule)
    shelf = shelf_of(
        engine.most_needed(),
        price=price,
        volume=volume,
        budget=budget,
        volume_limit=volume_limit,
        fixed=dict(fixed or {}),
        excluded=tuple(excluded),
        pack_size=pack_size,
    )
    aim = aim_of(
        engine,
        budget=budget,
        volume_limit=volume_limit,
        target=target,
        holding=holding,
        return_cost=return_cost,
    )
    warnings: list[str] = []
    part = bounded_part(engine)
    bound = best_possible(
        part, shelf=shelf, aim=_scaled(aim, engine, part), seconds=WEAK_SECONDS, whole=False
    )
    starts = [bound.stock] if bound.stock is not None else []

    def enough(state: State) -> bool:
        gap = gap_to(
            bound, engine=part, shelf=shelf, aim=_scaled(aim, engine, part), stock=state.stock
        )
        reached = aim.kind != "spend" or state.total >= aim.wanted
        return reached and gap is not None and gap <= NEAR

    best, path = search(engine, shelf, aim, starts=starts, enough=enough)
    near = gap_to(bound, engine=part, shelf=shelf, aim=aim, stock=best.stock)
    if seconds > 0 and (near is None or near > CLOSE_ENOUGH):
        strong = best_possible(part, shelf=shelf, aim=_scaled(aim, engine, part), seconds=seconds)
        bound = strong if strong.value is not None else bound
        if strong.stock is not None:
            again, _ = search(engine, shelf, aim, starts=[strong.stock])
            best = max((best, again), key=lambda found: worth(aim, shelf, engine, found))
    if target is not None and check is not None:
        best, note = _reach(engine, Engine(check, rule=rule), shelf, aim, best, target)
        warnings += note
        # what the same jobs would cost at least
        wanted = Aim(kind="spend", wanted=float(part.state(best.stock).total))
        bound = best_possible(part, shelf=shelf, aim=wanted, seconds=WEAK_SECONDS, whole=False)
        near = gap_to(bound, engine=part, shelf=shelf, aim=wanted, stock=best.stock)
        if seconds > 0 and (near is None or near > CLOSE_ENOUGH):
            strong = best_possible(part, shelf=shelf, aim=wanted, seconds=seconds)
            bound = strong if strong.value is not None else bound
    stock = best.stock.copy()
    valued = Engine(fresh, rule=rule)
    state = valued.state(stock)
    done, jobs = state.done, fresh.jobs_per_cycle[valued.order]
    share = float(done.sum() / jobs.sum())
    spend = shelf.spend(stock)
    cost = None
    if holding is not None and return_cost is not None:
        cost = float(holding * spend + return_cost * (jobs.sum() - done.sum()) / valued.cycles)
    error = float(np.sqrt(((done - share * jobs) ** 2).sum()) / jobs.sum())
    if target is not None and not warnings and share < target - 2 * error:
        warnings.append(
            f"The target of {target:.1%} was met on the checking cycles, but only {share:.1%} was "
            "found on the fresh ones; count on the lower figure."
        )
    if aim.kind == "jobs" and not stock.any():
        warnings.append(_why_empty(engine, shelf))
    lost = jobs_lost(valued, state)
    for array in (stock, lost, done, jobs):
        array.setflags(write=False)
    open_shelf = replace(shelf, budget=np.inf, room=np.inf)
    return Plan(
        aim=aim.kind,
        quantity=stock,
        completion=share,
        completion_ci=_cycle_range(done, jobs, confidence_level),
        completion_error=error,
        spend=spend,
        volume=float(stock @ shelf.volume),
        cost_per_cycle=cost,
        optimum_gap=gap_to(bound, engine=part, shelf=shelf, aim=aim, stock=stock),
        spend_curve=_curve(engine, valued, shelf, path, state),
        next_best=next_best(valued, state, open_shelf),
        drop_first=drop_first(valued, state, shelf),
        more=next_money(engine, valued, state, open_shelf, money=more_money),
        finishes=lost,
        warnings=tuple(warnings),
        cycle_completed=done,
        cycle_jobs=jobs,
    )


def _split(
    scenarios: Scenarios, evaluate: Scenarios | None, *, checked: bool
) -> tuple[Scenarios, Scenarios | None, Scenarios]:
    """Cycles to choose on, to check a target on, and to value on."""
    if evaluate is None:
        if scenarios.cycles < 6:
            raise InputError(
                f"a list needs at least 6 cycles, to choose it on some and to value it on others, "
                f"but {scenarios.cycles} were given.",
                do="draw more cycles, or give fresh ones in evaluate.",
            )
        cut = scenarios.cycles - scenarios.cycles // 3
        evaluate, scenarios = scenarios.part(slice(cut, None)), scenarios.part(slice(0, cut))
    if evaluate.items != scenarios.items:
        raise InputError(
            f"evaluate must be about the same {scenarios.items} items, but has {evaluate.items}.",
            do="build both from one list of items.",
        )
    check = None
    if checked:
        if evaluate.cycles < 2:
            raise InputError(
                "a target needs at least 2 fresh cycles, one to check and one to value.",
                do="draw more cycles.",
            )
        check, evaluate = evaluate.part(slice(0, None, 2)), evaluate.part(slice(1, None, 2))
    for group in (scenarios, check, evaluate):
        if group is not None and not (group.jobs >= 0).any():
            raise PlanError(
                "a stock list needs at least one expected job, but the cycles hold none.",
                do="lengthen the cycle, or check which van serves the units.",
            )
    return scenarios, check, evaluate


def _scaled(aim: Aim, engine: Engine, part: Engine) -> Aim:
    """The same aim on a part of the cycles."""
    if aim.kind != "spend" or part is engine:
        return aim
    return replace(aim, wanted=aim.wanted * part.jobs_total / max(engine.jobs_total, 1))


def _reach(
    engine: Engine, check: Engine, shelf: Shelf, aim: Aim, best: State, target: float
) -> tuple[State, list[str]]:
    """Raise the inner target until the checking cycles reach it, or say what is reachable."""
    most: State | None = None
    kept, kept_share = best, -1.0
    for _ in range(RAISES):
        if best.total < aim.wanted:
            if most is None:
                most, _ = search(engine, shelf, Aim(kind="jobs"), starts=[best.stock])
            if most.total < aim.wanted:
                break
            best, _ = search(engine, shelf, aim, starts=[most.stock])
        share = check.state(best.stock).total / check.jobs_total
        if share > kept_share:
            kept, kept_share = best, share
        if share >= target:
            return best, []
        aim = replace(aim, wanted=aim.wanted + float(np.ceil((target - share) * engine.jobs_total)))
        best, _ = search(engine, shelf, aim, starts=[best.stock])
    if kept_share < 0:
        assert most is not None
        limits = (
            "with the limits given"
            if np.isfinite([shelf.budget, shelf.room]).any()
            else ("with any list of the items allowed")
        )
        raise PlanError(
            f"a target of {target:.1%} of jobs on the first visit cannot be reached; the best "
            f"reachable {limits} is {most.total / engine.jobs_total:.1%}, for "
            f"{shelf.spend(most.stock):.2f}.",
            do="lower the target, raise the limits, or allow excluded items.",
        )
    note = (
        f"The target of {target:.1%} is met on the cycles the list was chosen on, but only "
        f"{kept_share:.1%} was found on others; count on the lower figure."
    )
    return kept, [note]


def _why_empty(engine: Engine, shelf: Shelf) -> str:
    useful = (shelf.high > 0) & (shelf.low == 0)
    if not useful.any():
        return "The list is empty: no allowed item would finish a job."
    cheapest = float((shelf.price * shelf.pack)[useful].min())
    if cheapest > shelf.budget:
        return (
            f"The list is empty: the cheapest useful item costs {cheapest:.2f}, more than the "
            f"budget of {shelf.budget:.2f}."
        )
    return "The list is empty: nothing that fits the limits would finish a job."


def _curve(
    engine: Engine, valued: Engine, shelf: Shelf, path: list[State], chosen: State
) -> tuple[tuple[float, float], ...]:
    """Spend against completion on the fresh cycles, from the least list to well beyond ours."""
    beyond = replace(
        shelf, budget=CURVE_BEYOND * max(shelf.spend(chosen.stock), shelf.spend(path[-1].stock))
    )
    stocks = [state.stock for state in path]
    further = climb(engine, beyond, Aim(kind="jobs"), path[-1].stock)[1:]
    stocks += [state.stock for state in further]
    pick = np.unique(np.linspace(0, len(stocks) - 1, CURVE_POINTS).round().astype(int))
    jobs = max(valued.jobs_total, 1)
    points = [(shelf.spend(stocks[row]), valued.state(stocks[row]).total / jobs) for row in pick]
    return rising([*points, (shelf.spend(chosen.stock), chosen.total / jobs)])
