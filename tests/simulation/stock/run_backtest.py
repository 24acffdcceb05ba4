"""Does a van finish the jobs that its list promised? Past cycles of the demo company, one by one.

    python tests/simulation/stock/run_backtest.py --cycles 12

Each cycle of each van is planned with what the records held the day before it, lives fitted anew;
then its real jobs are run through the list, and through simple rules at the same spend. Writes one
row per van and cycle.
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
import time
from pathlib import Path

import pandas as pd

from failstats.answers.costs import read_costs
from failstats.answers.stock_asked import limits_of, wanted_of
from failstats.answers.stock_backtest import tried_cycles
from failstats.answers.stock_demand import SEED
from failstats.answers.stock_plan import VALUING
from failstats.answers.stock_shelf import shelf_of_catalogue
from failstats.demo import TABLES, demo_folder
from failstats.intake.load import load
from failstats.warehouse.session import open_session

HERE = Path(__file__).resolve().parent


def tried(
    cycles: int, budget: float | None = None, as_of: str | None = None, skip: int = 0
) -> pd.DataFrame:
    """One row per van and cycle of the demo company."""
    source = demo_folder()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "demo.duckdb"
        files = [source / "data" / f"{name}.csv" for name in TABLES]
        load(path, files, mapping=source / "mapping.toml")
        with open_session(path, as_of=as_of) as session:
            shelf = shelf_of_catalogue(session)
            wanted = wanted_of(
                session, shelf, read_costs(source / "costs.toml"), budget=budget, seconds=0.0
            )
            vans = session.run("stg_vans").set_index("van_id")
            limits = {van: limits_of(vans, van, wanted) for van in vans.index}
            found = tried_cycles(
                session, list(vans.index), wanted, limits, cycles=cycles, skip=skip, progress=print
            )
    return pd.DataFrame(
        {
            "van": one.van,
            "after": one.start,
            "days": one.days,
            "jobs": one.jobs,
            "promised": round(one.promised, 4),
            "low": round(one.low, 4),
            "high": round(one.high, 4),
            "done": one.done,
            "inside": one.inside,
            "spend": one.spend,
        }
        | {name.replace(" ", "_"): done for name, (done, _) in one.rules.items()}
        | {f"{name.replace(' ', '_')}_spend": spend for name, (_, spend) in one.rules.items()}
        for one in found
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cycles", type=int, default=12, help="past cycles of each van")
    parser.add_argument("--budget", type=float, help="per van; default its own")
    parser.add_argument("--as-of", help="the last cycle ends here; default the records' end")
    parser.add_argument(
        "--skip", type=int, default=0, help="of these, the latest done already: added"
    )
    parser.add_argument("--out", type=Path, default=HERE / "backtest.csv")
    given = parser.parse_args()
    began = time.process_time()
    table = tried(given.cycles, given.budget, given.as_of, given.skip)
    command = f"run_backtest.py --cycles {given.cycles}"
    command += f" --budget {given.budget:g}" if given.budget else ""
    command += f" --as-of {given.as_of}" if given.as_of else ""
    table["seed"], table["fresh_cycles"] = SEED, VALUING
    table["command"], table["date"] = command, dt.date.today().isoformat()
    if given.skip:
        table = pd.concat([pd.read_csv(given.out), table], ignore_index=True)
    table.to_csv(given.out, index=False)
    rules = [name for name in table if f"{name}_spend" in table]
    print(
        f"{len(table)} van-cycles, {table['jobs'].sum()} jobs: promised "
        f"{(table['promised'] * table['jobs']).sum() / table['jobs'].sum():.3f}, realised "
        f"{table['done'].sum() / table['jobs'].sum():.3f}, inside {table['inside'].mean():.3f}; "
        + ", ".join(f"{name} {table[name].sum() / table['jobs'].sum():.3f}" for name in rules)
        + f"; {time.process_time() - began:.0f} s of processor time"
    )


if __name__ == "__main__":
    main()
