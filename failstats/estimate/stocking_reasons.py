"""The reasons beside a stock list: what each item finishes, what to add next, what to drop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.estimate.stocking_limits import Aim, Shelf
from failstats.estimate.stocking_scenarios import Engine, Rule, Scenarios, State
from failstats.estimate.stocking_search import bundles, climb, packs_held

__all__ = ["drop_first", "finishes", "jobs_lost", "next_best", "next_money", "rising"]

LISTED = 8  # lines of each list


def finishes(
    stock: ArrayLike, *, scenarios: Scenarios, rule: Rule = "all_or_nothing"
) -> NDArray[np.float64]:
    """Jobs per cycle that would need a second visit if an item were left at home.

    Parameters
    ----------
    stock : (items,) whole quantities carried.
    scenarios : the cycles (one past cycle will do: what the item would have finished then).

    Returns
    -------
    (items,) jobs per cycle; 0 for what is not carried.
    """
    engine = Engine(scenarios, rule=rule)
    return jobs_lost(engine, engine.state(stock))


def jobs_lost(engine: Engine, state: State) -> NDArray[np.float64]:
    """(items,) jobs per cycle lost when all of an item is taken off; see :func:`finishes`."""
    held = np.flatnonzero(state.stock)
    changes = np.zeros((held.size, state.stock.size), dtype=np.int64)
    changes[np.arange(held.size), held] = -state.stock[held]
    result = np.zeros(state.stock.size)
    result[held] = (state.total - engine.totals(state, changes)) / max(engine.cycles, 1)
    return result


def next_best(
    engine: Engine, state: State, shelf: Shelf
) -> tuple[tuple[tuple[int, ...], float, float], ...]:
    """(items, price, gain in completion): what more money would buy, best per money first.

    An item stands in ``items`` as often as it is added. ``shelf`` must allow more than is carried.
    """
    changes = bundles(state, shelf, width=4 * LISTED)
    gain = (engine.totals(state, changes) - state.total) / max(engine.jobs_total, 1)
    price = changes @ shelf.price
    order = np.argsort(-gain / shelf.weight(changes), kind="stable")
    lines = []
    for row in order[:LISTED]:
        if gain[row] > 0:
            added = np.repeat(np.arange(changes.shape[1]), changes[row])
            lines.append((tuple(int(item) for item in added), float(price[row]), float(gain[row])))
    return tuple(lines)


def next_money(
    engine: Engine, valued: Engine, state: State, shelf: Shelf, *, money: float
) -> tuple[tuple[int, ...], float, float] | None:
    """(items, price, gain in completion) of what so much more money would buy; None for nothing.

    Chosen on the cycles of ``engine``, valued on those of ``valued`` (to which ``state`` belongs).
    """
    wider = replace(shelf, budget=shelf.spend(state.stock) + money, low=state.stock)
    path = climb(engine, wider, Aim(kind="jobs"), state.stock)
    added = path[-1].stock - state.stock
    if not added.any():
        return None
    gain = (valued.state(path[-1].stock).total - state.total) / max(valued.jobs_total, 1)
    items = tuple(int(item) for item in np.repeat(np.arange(added.size), added))
    return items, float(added @ shelf.price), float(gain)


def drop_first(engine: Engine, state: State, shelf: Shelf) -> tuple[tuple[int, float, float], ...]:
    """(item, price, loss in completion) of one pack, the least loss per money first."""
    changes = packs_held(state, shelf)
    loss = (state.total - engine.totals(state, changes)) / max(engine.jobs_total, 1)
    price = -(changes @ shelf.price)
    order = np.argsort(loss / shelf.weight(-changes), kind="stable")[:LISTED]
    item = np.argmin(changes, axis=1) if len(changes) else np.zeros(0, dtype=np.int64)
    return tuple((int(item[row]), float(price[row]), float(loss[row])) for row in order)


def rising(points: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """The points that no cheaper point equals or beats, by spend."""
    kept: list[tuple[float, float]] = []
    for spend, share in sorted(points, key=lambda point: (point[0], -point[1])):
        if not kept or share > kept[-1][1]:
            kept.append((float(spend), float(share)))
    return tuple(kept)
