"""Cycles of jobs, and how many of them a van's stock finishes on the first visit.

A *cycle* is the time between two restocks. Its jobs come in order and draw on one stock. The rule
``all_or_nothing`` says that a job takes its parts only if every one of them is on the van; the rule
``use`` says that the parts are fitted even though the job needs a second visit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError

__all__ = ["Engine", "Rule", "Scenarios", "State", "completed_per_cycle", "completion"]

Rule = Literal["all_or_nothing", "use"]
RULES: tuple[Rule, ...] = ("all_or_nothing", "use")
_HASH_SEED = 20_240_229  # any constant: sums of random 64-bit words tell shortage lists apart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, init=False)
class Scenarios:
    """Possible next cycles of a van: which jobs come, in which order, and what each needs.

    Attributes
    ----------
    need : (types, items) whole numbers; how many of each item a job of the type needs.
    jobs : (cycles, longest) index of the type of each job in order of arrival; -1 pads.
    completable : (types,) no for a job that no stock can finish on the first visit (a part that
        cannot be fitted with the tools on a van). A job that needs nothing is always complete.
    """

    need: NDArray[np.int64]
    jobs: NDArray[np.int64]
    completable: NDArray[np.bool_]

    def __init__(
        self, *, need: ArrayLike, jobs: ArrayLike, completable: ArrayLike | None = None
    ) -> None:
        need_array = _whole(need, "need", 2)
        jobs_array = _whole(jobs, "jobs", 2)
        types = need_array.shape[0]
        if (need_array < 0).any():
            raise InputError("need must hold no negative quantity.", do="correct the need table.")
        if jobs_array.size and (jobs_array.min() < -1 or jobs_array.max() >= types):
            raise InputError(
                f"jobs must hold type indices 0 to {types - 1}, or -1 as padding, but runs from "
                f"{jobs_array.min()} to {jobs_array.max()}.",
                do="index jobs by the rows of need.",
            )
        can = np.ones(types, dtype=bool) if completable is None else np.array(completable, bool)
        if can.shape != (types,):
            raise InputError(
                f"completable must have one entry per job type, {types}, but has {can.shape}.",
                do="give one yes or no per row of need.",
            )
        for name, value in (("need", need_array), ("jobs", jobs_array), ("completable", can)):
            value.setflags(write=False)
            object.__setattr__(self, name, value)

    @classmethod
    def from_sets(
        cls, cycles: Sequence[Sequence[Mapping[int, int] | None]], *, items: int
    ) -> Scenarios:
        """Build cycles from plain lists: each job a {item: quantity}, {} no part, None hopeless."""
        types: dict[tuple[tuple[int, int], ...] | None, int] = {}
        rows: list[list[int]] = []
        for cycle in cycles:
            keys = [None if job is None else tuple(sorted(job.items())) for job in cycle]
            rows.append([types.setdefault(key, len(types)) for key in keys])
        need = np.zeros((len(types), items), dtype=np.int64)
        for key, kind in types.items():
            for item, quantity in key or ():
                need[kind, item] = quantity
        jobs = np.full((len(rows), max((len(row) for row in rows), default=0)), -1, dtype=np.int64)
        for index, row in enumerate(rows):
            jobs[index, : len(row)] = row
        return cls(need=need, jobs=jobs, completable=[key is not None for key in types])

    @property
    def cycles(self) -> int:
        """How many possible cycles are held."""
        return int(self.jobs.shape[0])

    @property
    def items(self) -> int:
        """How many items the needs are written in."""
        return int(self.need.shape[1])

    @property
    def jobs_per_cycle(self) -> NDArray[np.int64]:
        """(cycles,) number of jobs of each cycle, hopeless ones included."""
        return np.asarray((self.jobs >= 0).sum(axis=1), dtype=np.int64)

    def part(self, rows: slice | NDArray[np.int64]) -> Scenarios:
        """Some of the cycles."""
        return Scenarios(need=self.need, jobs=self.jobs[rows], completable=self.completable)


def _whole(values: ArrayLike, name: str, dimensions: int) -> NDArray[np.int64]:
    array = np.asarray(values)
    if array.size == 0 and array.ndim <= dimensions:
        array = array.reshape(array.shape + (0,) * (dimensions - array.ndim))
    if array.ndim != dimensions:
        raise InputError(
            f"{name} must have {dimensions} dimensions, but has {array.ndim}.",
            do=f"give {name} as a table.",
        )
    whole = np.array(array, dtype=np.int64)
    if array.size and not np.array_equal(whole, array):
        raise InputError(f"{name} must hold whole numbers.", do=f"round {name} first.")
    return whole


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """What one stock does in every cycle of an :class:`Engine` (cycles in the engine's order).

    Attributes
    ----------
    stock : (items,) quantities carried.
    done : (cycles,) jobs finished on the first visit.
    left : (cycles, items) what remains at the end of the cycle.
    shortages : (lists, items) the distinct lists of what a broken job lacked.
    lacking : (cycles, lists) how often each list stood between a job and its completion.
    """

    stock: NDArray[np.int64]
    done: NDArray[np.int64]
    left: NDArray[np.int64]
    shortages: NDArray[np.int64]
    lacking: NDArray[np.float32]

    @property
    def total(self) -> int:
        """Jobs finished, summed over the cycles."""
        return int(self.done.sum())


class Engine:
    """Runs stocks through cycles; jobs that need nothing or are hopeless are counted apart."""

    def __init__(self, scenarios: Scenarios, *, rule: Rule = "all_or_nothing") -> None:
        if rule not in RULES:
            raise InputError(
                f"rule must be one of {', '.join(RULES)}, but is {rule!r}.", do="name one of them."
            )
        self.scenarios = scenarios
        self.rule: Rule = rule
        need = scenarios.need
        empty = ~need.any(axis=1)
        live = ~empty & (scenarios.completable | (rule == "use"))
        held = scenarios.jobs >= 0
        kind = np.where(held, scenarios.jobs, 0)
        free = held & (empty & scenarios.completable)[kind] if len(need) else held
        keep = held & live[kind] if len(need) else held
        order = np.argsort(-keep.sum(axis=1), kind="stable")
        self.order = order
        self.jobs_total = int(held.sum())
        self.always_done = free.sum(axis=1).astype(np.int64)[order]
        length = keep.sum(axis=1)[order]
        longest = int(length[0]) if length.size else 0
        # squeeze out the jobs that do not draw on the stock, keeping the order of arrival
        packed = np.take_along_axis(kind, np.argsort(~keep, axis=1, kind="stable"), axis=1)
        self.jobs = np.ascontiguousarray(packed[order][:, :longest].T)
        self.length = length
        width = int((need > 0).sum(axis=1).max()) if need.size else 0
        slot = np.full((width, len(need)), scenarios.items, dtype=np.int64)
        quantity = np.zeros((width, len(need)), dtype=np.int64)
        for row, needs in enumerate(need):
            used = np.flatnonzero(needs)
            slot[: used.size, row] = used
            quantity[: used.size, row] = needs[used]
        self.slot, self.quantity = slot, quantity
        self.completable = scenarios.completable
        words = np.random.default_rng(_HASH_SEED).integers(1, 2**62, scenarios.items + 1)
        self.words = words.astype(np.uint64)

    @property
    def cycles(self) -> int:
        """How many cycles are run."""
        return self.scenarios.cycles

    def most_needed(self) -> NDArray[np.int64]:
        """(items,) the largest total need of each item in any cycle: more is never of use."""
        need = self.scenarios.need
        if not need.size or not self.length.size:
            return np.zeros(self.scenarios.items, dtype=np.int64)
        most = np.zeros(need.shape[1], dtype=np.int64)
        for row in range(self.cycles):
            most = np.maximum(most, need[self.jobs[: self.length[row], row]].sum(axis=0))
        return most

    def _run(
        self, left: NDArray[np.int64], cycle: NDArray[np.int64], *, detail: bool = False
    ) -> tuple[NDArray[np.int64], list[tuple[NDArray[np.int64], ...]]]:
        """Jobs done per row. ``left`` (rows, items + 1) is run down in place; ``cycle`` ascends."""
        rows, width = left.shape
        flat = left.reshape(-1)
        offset = np.arange(rows, dtype=np.int64) * width
        done = np.zeros(rows, dtype=np.int64)
        active = np.searchsorted(-self.length[cycle], -np.arange(self.jobs.shape[0]), side="left")
        broken: list[tuple[NDArray[np.int64], ...]] = []
        for position, count in enumerate(active):
            if count == 0:
                break
            kind = self.jobs[position].take(cycle[:count])
            where = self.slot.take(kind, axis=1)
            where += offset[:count]
            quantity = self.quantity.take(kind, axis=1)
            have = flat.take(where)
            enough = (have >= quantity).all(axis=0)
            if detail:
                bad = np.flatnonzero(~enough)
                if bad.size:
                    lack = np.maximum(quantity[:, bad] - have[:, bad], 0)
                    broken.append((bad, kind[bad], lack))
            if self.rule == "use":
                taken = np.minimum(have, quantity)
                done[:count] += enough & self.completable[kind]
            else:
                taken = quantity * enough
                done[:count] += enough
            flat[where] = have - taken
        return done, broken

    def state(self, stock: ArrayLike) -> State:
        """Run one stock through every cycle and keep what was lacking."""
        amount = np.array(stock, dtype=np.int64)
        items = self.scenarios.items
        left = np.zeros((self.cycles, items + 1), dtype=np.int64)
        left[:, :items] = amount
        done, broken = self._run(left, np.arange(self.cycles), detail=True)
        shortages = np.zeros((0, items), dtype=np.int64)
        lacking = np.zeros((self.cycles, 0), dtype=np.float32)
        if broken:
            cycle = np.concatenate([entry[0] for entry in broken])
            kind = np.concatenate([entry[1] for entry in broken])
            lack = np.concatenate([entry[2] for entry in broken], axis=1)
            key = (lack.astype(np.uint64) * self.words[self.slot[:, kind]]).sum(axis=0)
            _, first, which = np.unique(key, return_index=True, return_inverse=True)
            table = np.zeros((first.size, items + 1), dtype=np.int64)
            for level in range(lack.shape[0]):
                table[np.arange(first.size), self.slot[level, kind[first]]] += lack[level, first]
            shortages = table[:, :items]
            lacking = np.zeros((self.cycles, first.size), dtype=np.float32)
            np.add.at(lacking, (cycle, which), 1.0)
        return State(
            stock=amount,
            done=done + self.always_done,
            left=left[:, :items],
            shortages=shortages,
            lacking=lacking,
        )

    def totals(self, state: State, changes: NDArray[np.int64]) -> NDArray[np.int64]:
        """(candidates,) jobs finished in all cycles after each change (candidates, items) of stock.

        Only cycles that a change can touch are run again: adding touches a cycle where a job
        lacked nothing beyond what is added, taking off touches one that ran the item down.
        """
        base = state.total
        count = changes.shape[0]
        if count == 0 or self.cycles == 0:
            return np.full(count, base, dtype=np.int64)
        more, less = np.maximum(changes, 0), np.maximum(-changes, 0)
        touched = np.zeros((self.cycles, count), dtype=bool)
        if state.shortages.size and more.any():
            hit: NDArray[np.float32]
            if self.rule == "use":
                lacked = (state.shortages > 0).astype(np.float32)
                hit = np.asarray(lacked @ (more.T > 0).astype(np.float32), dtype=np.float32)
            else:
                inside = (state.shortages[:, None, :] <= more[None, :, :]).all(axis=2)
                hit = np.array(inside, dtype=np.float32)
            touched |= np.asarray(state.lacking @ hit) > 0
        for row in np.flatnonzero(less.any(axis=1)):
            used = np.flatnonzero(less[row])
            touched[:, row] |= (state.left[:, used] < less[row, used]).any(axis=1)
        cycle, candidate = np.nonzero(touched)
        result = np.full(count, base, dtype=np.int64)
        if cycle.size:
            left = np.zeros((cycle.size, self.scenarios.items + 1), dtype=np.int64)
            left[:, :-1] = (state.stock + changes)[candidate]
            done, _ = self._run(left, cycle)
            gain = done + self.always_done[cycle] - state.done[cycle]
            np.add.at(result, candidate, gain)
        return result


def completed_per_cycle(
    stock: ArrayLike, *, scenarios: Scenarios, rule: Rule = "all_or_nothing"
) -> NDArray[np.int64]:
    """Count the jobs of each cycle that this stock finishes on the first visit.

    Parameters
    ----------
    stock : (items,) whole quantities carried at the start of the cycle.
    scenarios : the cycles.
    rule : ``all_or_nothing`` or ``use`` (see the module).

    Returns
    -------
    (cycles,) whole numbers, in the order of ``scenarios``.
    """
    amount = _whole(stock, "stock", 1)
    if amount.shape != (scenarios.items,) or (amount < 0).any():
        raise InputError(
            f"stock must give one quantity of at least 0 for each of {scenarios.items} items, "
            f"but is {amount.tolist()}.",
            do="give one number per item.",
        )
    engine = Engine(scenarios, rule=rule)
    result = np.empty(scenarios.cycles, dtype=np.int64)
    result[engine.order] = engine.state(amount).done
    return result


def completion(stock: ArrayLike, *, scenarios: Scenarios, rule: Rule = "all_or_nothing") -> float:
    """Share of jobs that this stock finishes on the first visit.

    Parameters
    ----------
    stock : (items,) whole quantities carried at the start of each cycle.
    scenarios : the cycles; all jobs count, hopeless ones and those that need nothing too.
    rule : ``all_or_nothing`` or ``use`` (see the module).

    Returns
    -------
    Completed jobs over all jobs; nan when there is no job at all.

    Notes
    -----
    Not monotone under ``all_or_nothing``: one more item may let an early job take a part that two
    later jobs would have shared. Part fill rate is another, larger figure.

    Examples
    --------
    >>> cycles = Scenarios.from_sets([[{0: 1}, {0: 1, 1: 1}, {1: 1}], [{}, None]], items=2)
    >>> completion([1, 1], scenarios=cycles)
    0.6
    """
    jobs = int(scenarios.jobs_per_cycle.sum())
    done = completed_per_cycle(stock, scenarios=scenarios, rule=rule).sum()
    return float(done / jobs) if jobs else float("nan")
