"""Stock lists: how near the best, how soon, and how that grows with the items.

    python tests/bench/run_stock.py --write
    python tests/bench/run_stock.py --small

Six made-up vans, 2,000 possible cycles each, two processes. The gap is measured on as many of the
cycles as the program of whole numbers takes in one go; it is what ``optimum_gap`` says. Two bounds:
without whole numbers (always), and with them (as many seconds as given).
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import platform
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from failstats.estimate.stocking import plan
from failstats.estimate.stocking_scenarios import Scenarios

HERE = Path(__file__).resolve().parent
VANS, SEED, GOAL_GAP, GOAL_SECONDS = 6, 1, 0.01, 60.0
JOBS = 25.0  # a cycle
NO_FAULT = 0.22  # share of jobs that need nothing
WITH_PARTNER = 0.3  # share of the others that need a second item


def made_cycles(items: int, cycles: int, seed: int) -> tuple[Scenarios, np.ndarray]:
    """Possible cycles of one van, and prices: few items are needed often, many seldom."""
    rng = np.random.default_rng([SEED, items, seed])
    share = 1 / np.arange(1, items + 1) ** 0.8
    share = rng.permutation(share / share.sum())
    partner = rng.integers(items, size=(items, 2))
    types = [np.zeros(items, dtype=np.int64)]
    chance = [NO_FAULT]
    for item in range(items):
        alone = np.zeros(items, dtype=np.int64)
        alone[item] = 1
        types.append(alone)
        chance.append((1 - NO_FAULT) * (1 - WITH_PARTNER) * share[item])
        for other in partner[item]:
            both = alone.copy()
            both[other] += 1
            types.append(both)
            chance.append((1 - NO_FAULT) * WITH_PARTNER / 2 * share[item])
    count = rng.poisson(JOBS * rng.gamma(30, 1 / 30, cycles))
    jobs = np.full((cycles, count.max()), -1, dtype=np.int64)
    held = np.arange(count.max()) < count[:, None]
    jobs[held] = rng.choice(len(types), size=int(count.sum()), p=np.array(chance) / sum(chance))
    price = np.round(np.exp(rng.normal(3.2, 0.7, items)), 2)
    return Scenarios(need=np.array(types), jobs=jobs), price


def one_van(asked: tuple[int, int, int, float]) -> dict[str, float]:
    items, cycles, van, seconds = asked
    both, price = made_cycles(items, cycles + cycles // 2, van)
    chosen, fresh = both.part(slice(0, cycles)), both.part(slice(cycles, None))
    # as much money as one of each item needed in an average cycle, and half as much again
    use = (chosen.jobs >= 0).sum() / chosen.cycles
    need = np.array([chosen.need[row[row >= 0]].sum(axis=0) for row in chosen.jobs]).mean(axis=0)
    budget = float(1.5 * need @ price)
    began, worked = time.perf_counter(), time.process_time()
    found = plan(chosen, evaluate=fresh, price=price, budget=budget, seconds=seconds)
    return {
        "items": items,
        "cycles": cycles,
        "van": van,
        "jobs_per_cycle": use,
        "seconds_allowed": seconds,
        "seconds": time.perf_counter() - began,
        "processor_seconds": time.process_time() - worked,
        "gap": np.nan if found.optimum_gap is None else found.optimum_gap,
        "completion": found.completion,
        "spend": found.spend,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--items", type=int, nargs="*", default=[10, 40, 160])
    parser.add_argument("--cycles", type=int, default=2000)
    parser.add_argument("--allowed", type=float, nargs="*", default=[0, 5, 20])
    parser.add_argument("--vans", type=int, default=VANS)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--small", action="store_true", help="seconds; to see that it runs")
    parser.add_argument("--write", action="store_true", help="put the table beside the program")
    given = parser.parse_args()
    if given.small:
        given.items, given.cycles, given.allowed, given.vans = [10], 200, [0], 2
    tables = []
    for items in given.items:
        for seconds in given.allowed:
            asked = [(items, given.cycles, van, seconds) for van in range(given.vans)]
            began = time.perf_counter()
            with ProcessPoolExecutor(given.processes) as pool:
                rows = pd.DataFrame(pool.map(one_van, asked))
            whole = time.perf_counter() - began
            tables.append(rows.assign(seconds_all_vans=whole))
            gap = rows["gap"].max()
            goal = "goal met" if whole <= GOAL_SECONDS and gap <= GOAL_GAP else "goal missed"
            print(
                f"{items:4d} items, {seconds:3.0f} s allowed for whole numbers: {given.vans} vans "
                f"in {whole:6.1f} s, gap {rows['gap'].mean():.2%} on average, {gap:.2%} at worst, "
                f"{rows['processor_seconds'].sum():.0f} s of processor time, "
                f"{rows['completion'].mean():.1%} finished; {goal}",
                flush=True,
            )
    table = pd.concat(tables, ignore_index=True)
    table["processes"], table["cores"], table["seed"] = given.processes, os.cpu_count(), SEED
    versions = {"Python": platform.python_version(), "NumPy": np.__version__}
    versions["SciPy"] = scipy.__version__
    table["versions"] = ", ".join(f"{name} {number}" for name, number in versions.items())
    table["command"] = "run_stock.py --items " + " ".join(map(str, given.items))
    table["date"] = dt.date.today().isoformat()
    if given.write:
        table.round(6).to_csv(HERE / "stock.csv", index=False)


if __name__ == "__main__":
    main()
