"""Looks for a good stock list: marginal analysis on whole lists of lacking parts, then swaps.

Parts are complements: a coil alone may finish nothing where a coil and a cutout finish a job. So
what is added in one step is a *bundle*, one of the lists that stood between some job and its
completion. The figures here are counts of finished jobs, summed over the cycles of the search.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from failstats.estimate.stocking_limits import Aim, Shelf, worth
from failstats.estimate.stocking_scenarios import Engine, State

__all__ = [
    "bundles",
    "climb",
    "improve",
    "packs_held",
    "search",
    "squeeze",
    "swap_in",
    "swap_two",
    "trim",
]

WIDTH = 16  # bundles looked at closely in one step, the most promising per money first
SWAPS = 14  # packs tried out of the stock in one round of swaps
PAIRED = 6  # packs tried out two at a time
ROUNDS = 30  # rounds that each found something better
STEPS = 600  # additions in one climb; more than any van holds


def bundles(state: State, shelf: Shelf, *, width: int, by_room: bool = False) -> NDArray[np.int64]:
    """(candidates, items) lists worth adding, in whole packs, that still fit."""
    if not state.shortages.size:
        return np.zeros((0, shelf.price.size), dtype=np.int64)
    lists = state.shortages
    packs = -(-lists // shelf.pack) * shelf.pack
    usable = (packs > 0).any(axis=1) & shelf.fits(state.stock + packs)
    rows = np.flatnonzero(usable)
    if not rows.size:
        return np.zeros((0, shelf.price.size), dtype=np.int64)
    packs, index = np.unique(packs[rows], axis=0, return_inverse=True)
    touched = (state.lacking[:, rows] > 0).sum(axis=0).astype(np.float64)
    often = np.bincount(index.reshape(-1), weights=touched, minlength=len(packs))
    inside = (packs[:, None, :] <= packs[None, :, :]).all(axis=2)
    promise = often @ inside  # a list also mends the jobs that lacked a part of it
    rank = np.argsort(-promise / shelf.weight(packs, by_room=by_room), kind="stable")
    return np.asarray(packs[rank[:width]])


def climb(
    engine: Engine,
    shelf: Shelf,
    aim: Aim,
    start: NDArray[np.int64],
    *,
    width: int = WIDTH,
    by_room: bool = False,
) -> list[State]:
    """Add the bundle with the most finished jobs per money, step by step; every stock passed."""
    path = [engine.state(start)]
    for _ in range(STEPS):
        state = path[-1]
        if aim.kind == "spend" and state.total >= aim.wanted:
            break
        changes = bundles(state, shelf, width=width, by_room=by_room)
        if not len(changes):
            break
        gain = (engine.totals(state, changes) - state.total).astype(np.float64)
        if aim.kind == "cost":
            net = aim.return_cost * gain / max(engine.cycles, 1)
            net = net - aim.holding * (changes @ shelf.price)
            if net.max() <= 0:
                break
            gain = np.where(net > 0, gain, -np.inf)
        score = gain / shelf.weight(changes, by_room=by_room)
        if aim.kind == "spend":  # more than what is still wanted is of no use
            useful = np.minimum(gain, aim.wanted - state.total)
            score = useful / shelf.weight(changes, by_room=by_room)
        best = int(np.argmax(score))
        if gain[best] <= 0:
            break
        path.append(engine.state(state.stock + changes[best]))
    return path


def packs_held(state: State, shelf: Shelf) -> NDArray[np.int64]:
    """(candidates, items) changes that take one pack of each carried item off."""
    held = np.flatnonzero(state.stock - shelf.pack >= shelf.low)
    changes = np.zeros((held.size, shelf.price.size), dtype=np.int64)
    changes[np.arange(held.size), held] = -shelf.pack[held]
    return changes


def trim(engine: Engine, shelf: Shelf, aim: Aim, state: State) -> State:
    """Take packs off for as long as the aim gains by it."""
    while True:
        changes = packs_held(state, shelf)
        if not len(changes):
            return state
        totals = engine.totals(state, changes)
        best = state
        rank = worth(aim, shelf, engine, state)
        saved = -(changes @ shelf.price)
        if aim.kind == "jobs":
            good = totals >= state.total
        elif aim.kind == "spend":
            good = totals >= min(aim.wanted, state.total)
        else:
            lost = aim.return_cost * (state.total - totals) / max(engine.cycles, 1)
            saved = aim.holding * saved - lost
            good = saved >= 0
        for row in np.argsort(-saved, kind="stable"):
            if good[row]:
                trial = engine.state(state.stock + changes[row])
                if worth(aim, shelf, engine, trial) > rank:
                    best = trial
                    break
        if best is state:
            return state
        state = best


def _refill(
    engine: Engine, shelf: Shelf, aim: Aim, state: State, change: NDArray[np.int64]
) -> State | None:
    """The first better stock after taking packs off and filling up with other ones."""
    rank = worth(aim, shelf, engine, state)
    stock = state.stock + change
    high = np.where(change < 0, stock, shelf.high)  # not the same packs again
    path = climb(engine, replace(shelf, high=high), aim, stock, width=WIDTH // 2)
    for trial in reversed(path):
        if worth(aim, shelf, engine, trial) > rank:
            return trial
    return None


def _by_loss(
    engine: Engine, shelf: Shelf, state: State
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Packs that can come off, their order by loss per price, and the jobs lost by each."""
    changes = packs_held(state, shelf)
    loss = (state.total - engine.totals(state, changes)).astype(np.float64)
    return changes, np.argsort(loss / shelf.weight(-changes), kind="stable"), loss


def swap_in(engine: Engine, shelf: Shelf, aim: Aim, state: State) -> State:
    """One better stock reached by taking a pack off and filling up again, or the same stock."""
    changes, order, loss = _by_loss(engine, shelf, state)
    least = np.argsort(loss, kind="stable")[: SWAPS // 2]
    for row in dict.fromkeys([*order[:SWAPS].tolist(), *least.tolist()]):
        better = _refill(engine, shelf, aim, state, changes[row])
        if better is not None:
            return better
    return state


def swap_two(engine: Engine, shelf: Shelf, aim: Aim, state: State) -> State:
    """As :func:`swap_in`, with two packs taken off at once."""
    changes, order, _ = _by_loss(engine, shelf, state)
    few = order[:PAIRED]
    for place, first in enumerate(few):
        for second in few[place:]:
            change = changes[first] + changes[second]
            if (state.stock + change >= shelf.low).all():
                better = _refill(engine, shelf, aim, state, change)
                if better is not None:
                    return better
    return state


def squeeze(engine: Engine, shelf: Shelf, aim: Aim, state: State) -> State:
    """One better stock reached by adding a bundle first and then making room for it."""
    rank = worth(aim, shelf, engine, state)
    loose = replace(shelf, budget=np.inf, room=np.inf)
    for change in bundles(state, loose, width=WIDTH):
        trial = engine.state(state.stock + change)
        keep = replace(shelf, low=np.maximum(shelf.low, np.minimum(trial.stock, change)))
        while not shelf.fits(trial.stock[None, :])[0]:
            changes, order, _ = _by_loss(engine, keep, trial)
            if not len(changes):
                break
            trial = engine.state(trial.stock + changes[order[0]])
        if not shelf.fits(trial.stock[None, :])[0]:
            continue
        trial = trim(engine, shelf, aim, trial)
        if worth(aim, shelf, engine, trial) > rank:
            return trial
    return state


def improve(
    engine: Engine,
    shelf: Shelf,
    aim: Aim,
    state: State,
    *,
    enough: Callable[[State], bool] = lambda _: False,
) -> State:
    """Trim and swap until it is good enough, nothing better is found, or the rounds are used up."""
    state = trim(engine, shelf, aim, state)
    for _ in range(ROUNDS):
        if enough(state):
            break
        better = state
        for move in (swap_in, squeeze, swap_two):
            better = move(engine, shelf, aim, state)
            if better is not state:
                break
        if better is state:
            break
        path = climb(engine, shelf, aim, trim(engine, shelf, aim, better).stock)
        state = max(path, key=lambda item: worth(aim, shelf, engine, item))
    return state


def search(
    engine: Engine,
    shelf: Shelf,
    aim: Aim,
    *,
    starts: Iterable[NDArray[np.int64]] = (),
    enough: Callable[[State], bool] = lambda _: False,
) -> tuple[State, list[State]]:
    """The best stock found, and the path of the first climb from the least stock.

    Parameters
    ----------
    starts : further stocks to begin from (those of a mixed-integer program, say).
    enough : whether a stock is so good that the search may end.
    """
    path = climb(engine, shelf, aim, shelf.low)
    ends = [max(path, key=lambda state: worth(aim, shelf, engine, state))]
    if np.isfinite(shelf.room):
        other = climb(engine, shelf, aim, shelf.low, by_room=True)
        ends.append(max(other, key=lambda state: worth(aim, shelf, engine, state)))
    for start in starts:
        filled = climb(engine, shelf, aim, start)
        ends.append(max(filled, key=lambda state: worth(aim, shelf, engine, state)))
    found = []
    for end in sorted(ends, key=lambda state: worth(aim, shelf, engine, state), reverse=True):
        found.append(improve(engine, shelf, aim, end, enough=enough))
        if enough(found[-1]):
            break
    return max(found, key=lambda state: worth(aim, shelf, engine, state)), path
