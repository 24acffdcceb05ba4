"""How good a stock list could be at best: a sample-average mixed-integer program.

The program may choose, in each cycle, the best set of jobs to finish from the stock. A van that
serves jobs in order of arrival finishes one such set, so the optimum of the program is a bound that
no list can beat on the same cycles; what it stocks is a start for the search. Only the quantities
are whole numbers; letting the jobs be fractions keeps the bound a bound.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, hstack, vstack

from failstats.estimate.stocking_limits import Aim, Shelf
from failstats.estimate.stocking_scenarios import Engine

__all__ = ["Bound", "best_possible", "bounded_part", "gap_to"]

BOUND_SIZE = 9_000  # cycles x job types in the program; about a second for the weak bound

SLACK = 1e-6  # HiGHS keeps rows to 1e-7; the bound gives way by more, so that it stays a bound


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bound:
    """What no stock list can beat on these cycles.

    Attributes
    ----------
    value : most jobs (``jobs``), least spend (``spend``) or least cost (``cost``); None when the
        program ended without a bound.
    stock : (items,) whole quantities of the best program found, or None.
    reachable : no when the wanted number of jobs cannot be had under the limits; None unknown.
    """

    value: float | None
    stock: NDArray[np.int64] | None
    reachable: bool | None


def _counts(engine: Engine) -> NDArray[np.int64]:
    """(cycles, types) jobs of each type that draw on the stock and can be completed."""
    types = engine.scenarios.need.shape[0]
    counts = np.zeros((engine.cycles, types), dtype=np.int64)
    for position, kinds in enumerate(engine.jobs):
        rows = np.flatnonzero(engine.length > position)
        np.add.at(counts, (rows, kinds[rows]), 1)
    return counts * engine.completable


def bounded_part(engine: Engine) -> Engine:
    """As many of the cycles as the program takes in one go; all of them when they are few."""
    size = max(float((_counts(engine) > 0).sum(axis=1).mean()), 1.0) if engine.cycles else 1.0
    keep = int(BOUND_SIZE / size)
    if engine.cycles <= keep:
        return engine
    return Engine(engine.scenarios.part(slice(0, keep)), rule=engine.rule)


def gap_to(
    bound: Bound, *, engine: Engine, shelf: Shelf, aim: Aim, stock: NDArray[np.int64]
) -> float | None:
    """How far a stock is from the bound on the same cycles, as a share of jobs, spend or cost."""
    if bound.value is None:
        return None
    if aim.kind == "jobs":
        best, ours = bound.value, float(engine.state(stock).total)
        return max(best - ours, 0.0) / best if best > 0 else 0.0
    if aim.kind == "spend":
        ours = shelf.spend(stock)
    else:
        broken = (engine.jobs_total - engine.state(stock).total) / max(engine.cycles, 1)
        ours = aim.holding * shelf.spend(stock) + aim.return_cost * broken
    return max(ours - bound.value, 0.0) / ours if ours > 0 else 0.0


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep what the solver prints by itself off standard output, where answers may be piped.

    The solver writes to the process's own output, not to ``sys.stdout``; so the descriptor is
    turned away for the time of the solution. Where that cannot be done, nothing is changed.
    """
    try:
        library = ctypes.CDLL(None)
        sys.stdout.flush()
        library.fflush(None)
        kept = os.dup(1)
        away = os.open(os.devnull, os.O_WRONLY)
    except (OSError, AttributeError, TypeError, ValueError):
        yield
        return
    try:
        os.dup2(away, 1)
        yield
    finally:
        library.fflush(None)
        os.dup2(kept, 1)
        os.close(kept)
        os.close(away)


def _affordable(shelf: Shelf) -> NDArray[np.int64]:
    """(items,) most packs of each item that fit the limits beside the least stock."""
    packs = shelf.high // shelf.pack
    for each, limit in ((shelf.price, shelf.budget), (shelf.volume, shelf.room)):
        if np.isfinite(limit):
            free = limit - float(shelf.low @ each) + SLACK
            unit = np.maximum(each * shelf.pack, 1e-12)
            fits = np.minimum(np.floor(free / unit), packs).astype(np.int64)
            packs = np.minimum(packs, np.maximum(fits, 0) + shelf.low // shelf.pack)
    return packs


def best_possible(
    engine: Engine, *, shelf: Shelf, aim: Aim, seconds: float, whole: bool = True
) -> Bound:
    """Bound what any list can do, and propose one.

    Parameters
    ----------
    engine : the cycles; keep cycles x job types below some 20,000.
    shelf, aim : limits and what is sought.
    seconds : time allowed; what is known by then is used.
    whole : whole quantities; without, a weaker bound comes much faster.
    """
    counts = _counts(engine)
    need = engine.scenarios.need
    items = need.shape[1]
    cycle, kind = np.nonzero(counts)
    jobs = cycle.size
    always = float(engine.always_done.sum())
    # every item of every cycle: what the finished jobs take is at most what is carried
    used = need[kind] > 0
    entry, item = np.nonzero(used)
    key = cycle[entry] * items + item
    rows_of, row = np.unique(key, return_inverse=True)
    take = csr_array((need[kind[entry], item].astype(float), (row, entry)), (rows_of.size, jobs))
    carry = csr_array(
        (-np.ones(rows_of.size), (np.arange(rows_of.size), rows_of % items)), (rows_of.size, items)
    )
    blocks = [hstack([carry, take])]
    lower = [np.full(rows_of.size, -np.inf)]
    upper = [np.zeros(rows_of.size)]

    def limit(stock_row: NDArray[np.float64], job_row: float, low: float, high: float) -> None:
        blocks.append(csr_array(np.concatenate([stock_row, np.full(jobs, job_row)])[None, :]))
        lower.append(np.array([low]))
        upper.append(np.array([high]))

    if np.isfinite(shelf.budget):
        limit(shelf.price, 0.0, -np.inf, shelf.budget)
    if np.isfinite(shelf.room):
        limit(shelf.volume, 0.0, -np.inf, shelf.room)
    cycles = max(engine.cycles, 1)
    if aim.kind == "jobs":
        cost = np.concatenate([np.zeros(items), -np.ones(jobs)])
    elif aim.kind == "spend":
        cost = np.concatenate([shelf.price, np.zeros(jobs)])
        limit(np.zeros(items), 1.0, aim.wanted - always - SLACK, np.inf)
    else:
        per_job = aim.return_cost / cycles
        cost = np.concatenate([aim.holding * shelf.price, np.full(jobs, -per_job)])
    # a pack is the unit of the whole number
    scale = np.concatenate([shelf.pack.astype(float), np.ones(jobs)])
    matrix = csr_array(vstack(blocks)).multiply(scale[None, :])
    high = np.concatenate([_affordable(shelf), counts[cycle, kind]]).astype(float)
    low = np.concatenate([shelf.low // shelf.pack, np.zeros(jobs, dtype=np.int64)]).astype(float)
    with _quiet():
        result = milp(
            cost * scale,
            constraints=LinearConstraint(
                csr_array(matrix), np.concatenate(lower), np.concatenate(upper)
            ),
            bounds=Bounds(low, np.maximum(high, low)),
            integrality=np.concatenate([np.full(items, int(whole)), np.zeros(jobs)]),
            options={"time_limit": float(seconds), "mip_rel_gap": 1e-4},
        )
    if result.status == 2:
        return Bound(value=None, stock=None, reachable=False)
    stock = None
    if result.x is not None:
        filled = result.x[:items] if whole else np.floor(result.x[:items] + SLACK)
        stock = np.clip(np.rint(filled) * shelf.pack, shelf.low, shelf.high).astype(np.int64)
    dual = getattr(result, "mip_dual_bound", None)
    value = float(dual) if dual is not None and np.isfinite(dual) else None
    if value is None and result.status == 0:
        value = float(result.fun)
    if value is not None and aim.kind == "jobs":
        value = always - value
    elif value is not None and aim.kind == "cost":
        value += aim.return_cost * (engine.jobs_total - always) / cycles
    return Bound(value=value, stock=stock, reachable=True if stock is not None else None)
