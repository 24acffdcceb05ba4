"""How long the hazard model with changing covariates takes, beside one scan and other libraries.

    python tests/bench/run_hazards.py                 10^5 and 10^6 lives, with peers
    python tests/bench/run_hazards.py --sizes 1e7     on demand
    python tests/bench/run_hazards.py --small         tiny, to see that all runs

About 2.4 episodes a life, 10 strata (families), 30 patterns: state of the vent (3) by bin of loads
(10); covariates: two states and loads. Ours reads Parquet, counts cells in SQL, fits Cox with
Efron's ties, and makes the cluster-robust variance by unit in a pass over rows. Peers get arrays
already read.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import made_records
import numpy as np
from measure import Bench, clocked, installed, parser, rscript

from failstats.counts.life_counts import BATCH, count_lives
from failstats.counts.pattern_table import PatternTable
from failstats.estimate.hazard_model import Design, cluster_robust_stream, cox

SIZES = (100_000, 1_000_000)
PEERS_UP_TO = {"lifelines": 100_000, "in_r": 1_000_000}
AGES = 4096  # ages of a key: above the longest stop, a power of two
PATTERNS = 30
NAMES = ("state_1", "state_2", "loads")
# runs before those that count, of scan and ours alike: the reader keeps what it has read, and
# memory that was given back once is taken again
WARM = 3

Lap = Callable[[str], None]


def design() -> Design:
    """Two states of the vent against the first, and loads: one row per pattern."""
    state, loads = np.divmod(np.arange(PATTERNS), 10)
    values = np.column_stack([state == 1, state == 2, loads]).astype(float)
    return Design(values=values, names=NAMES)


def _connect() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    connection.execute("set memory_limit = '4GB'")
    return connection


def scan(data: Path, repeats: int) -> dict[str, Any]:
    """The floor that physics sets: add the same columns up."""
    connection = _connect()

    def steps(done: Lap) -> None:
        sums = "select sum(unit), sum(stratum), sum(pattern), sum(start), sum(stop), sum(failed)"
        connection.execute(f"{sums} from read_parquet($data)", {"data": str(data)}).fetchall()
        done("scan")

    return clocked(steps, repeats=repeats, warm=WARM)


def count(connection: duckdb.DuckDBPyConnection, data: Path) -> PatternTable:
    """Cells by stratum, pattern and age: rows from SQL, counted batch by batch into full arrays.

    So many groups cost GROUP BY four times as much.
    """
    shape = (made_records.FAMILIES, PATTERNS, AGES)
    reader = connection.sql(
        f"select stratum * {PATTERNS}::smallint + pattern as kind, failed, start, stop "
        "from read_parquet($data)",
        params={"data": str(data)},
    ).to_arrow_reader(BATCH)
    found = count_lives(
        ([column.to_numpy() for column in batch.columns] for batch in reader),
        groups=shape[0] * shape[1], causes=1, ages=AGES,
    )  # fmt: skip
    left, failed = (found.ended[:, place].reshape(shape) for place in (0, 1))
    dropped = int(found.dropped.sum())
    return PatternTable.from_dense(
        found.entered.reshape(shape), failed, left, dropped=dropped, copy=False
    )


def ours(data: Path, repeats: int) -> dict[str, Any]:
    """Counts, the fit, and the coefficients."""
    connection = _connect()

    def steps(done: Lap) -> list[float]:
        table = count(connection, data)
        done("counts")
        fit = cox(table, design=design())
        done("fit")
        return [float(value) for value in fit.coefficients]

    return clocked(steps, repeats=repeats, warm=WARM)


def ours_clustered(data: Path, repeats: int) -> dict[str, Any]:
    """The pass over rows by unit, its reading included; the fit it rests on is not timed."""
    connection = _connect()
    fit = cox(count(connection, data), design=design())

    def steps(done: Lap) -> list[float]:
        reader = connection.sql(
            "select unit as cluster, stratum, pattern, start, stop, failed "
            "from read_parquet($data)",
            params={"data": str(data)},
        ).to_arrow_reader(BATCH)
        robust = cluster_robust_stream(
            fit,
            (
                {name: batch.column(name).to_numpy() for name in batch.schema.names}
                for batch in reader
            ),
        )
        done("pass")
        return [float(value) for value in robust.standard_errors]

    return clocked(steps, repeats=repeats, warm=WARM)


def lifelines(data: Path, repeats: int) -> dict[str, Any]:
    """Its time-varying model (Efron ties), one life being one id."""
    from lifelines import CoxTimeVaryingFitter

    rows = duckdb.execute("from read_parquet($data)", {"data": str(data)}).df()
    values = design().values[rows["pattern"].to_numpy()]
    table = rows[["start", "stop", "failed", "stratum"]].astype(float)
    table[list(NAMES)] = values
    table["life"] = (rows["start"] == 0).cumsum()

    def steps(done: Lap) -> list[float]:
        model = CoxTimeVaryingFitter()
        model.fit(
            table, id_col="life", event_col="failed", start_col="start", stop_col="stop",
            strata=["stratum"],
        )  # fmt: skip
        done("cox")
        return [float(value) for value in model.params_.loc[list(NAMES)]]

    return clocked(steps, repeats=repeats, warm=0)


def in_r(data: Path, repeats: int) -> dict[str, Any]:
    """The survival package of R: coxph, plain and clustered by unit."""
    table = data.with_suffix(".csv")
    duckdb.execute(
        "copy (select unit, stratum, start, stop, failed, "
        "cast(pattern // 10 = 1 as integer) as x1, "
        "cast(pattern // 10 = 2 as integer) as x2, pattern % 10 as x3 "
        f"from read_parquet('{data}')) to '{table}' (header)"
    )
    program = [rscript() or "Rscript", str(Path(__file__).with_name("peers.R"))]
    done = subprocess.run(
        [*program, "hazards", str(table), str(repeats)], capture_output=True, text=True, check=True
    )
    table.unlink()
    return dict(json.loads(done.stdout))


CONTESTANTS = {
    "scan": scan, "ours": ours, "ours_clustered": ours_clustered, "lifelines": lifelines,
    "in_r": in_r,
}  # fmt: skip


def one_size(bench: Bench, data: Path, size: int) -> None:
    """Scan, ours, and the peers on one data set."""
    made_records.episodes(data, rows=size, seed=bench.options.seed)
    floor, mine = bench.ask("scan", data), bench.ask("ours", data)
    sturdy = bench.ask("ours_clustered", data)
    if floor is None or mine is None or sturdy is None:
        raise SystemExit("scan and ours must run")
    base = floor.seconds["total"]
    bench.note(size, "scan", base, "s", peak_mb=floor.peak_mb)
    for step in ("counts", "fit"):
        bench.note(size, f"ours, {step}", mine.seconds[step], "s")
    total = mine.seconds["total"]
    bench.note(size, "ours, counts + fit", total, "s", peak_mb=mine.peak_mb)
    bench.note(size, "ours, counts + fit / scan", total / base, "x")
    clustered = sturdy.seconds["total"]
    bench.note(size, "ours, cluster-robust pass", clustered, "s", peak_mb=sturdy.peak_mb)
    bench.note(size, "ours, cluster-robust pass / scan", clustered / base, "x")
    if bench.options.no_peers:
        return
    _lifelines(bench, data, size, mine.found, total)
    _in_r(bench, data, size, (mine.found, sturdy.found), (total, clustered))


def _apart(mine: list[float], theirs: list[float]) -> float:
    return float(np.max(np.abs(np.array(mine) - np.array(theirs))))


def _wanted(peer: str, name: str, size: int, present: bool) -> bool:
    if not present:
        print(f"  {name}: not installed, left out")
    elif size > PEERS_UP_TO[peer]:
        print(f"  {name}: left out at this size (minutes)")
    return present and size <= PEERS_UP_TO[peer]


def _lifelines(bench: Bench, data: Path, size: int, found: list[float], total: float) -> None:
    if not _wanted("lifelines", "lifelines", size, installed("lifelines")):
        return
    theirs = bench.ask("lifelines", data, repeats=1)
    if theirs is not None:
        took = theirs.seconds["cox"]
        bench.note(size, "lifelines Cox", took, "s", peak_mb=theirs.peak_mb)
        bench.note(size, "lifelines Cox / ours, counts + fit", took / total, "x")
        bench.note(size, "lifelines Cox: largest difference", _apart(found, theirs.found), "")


def _in_r(
    bench: Bench,
    data: Path,
    size: int,
    found: tuple[list[float], list[float]],
    took: tuple[float, float],
) -> None:
    if not _wanted("in_r", "R", size, rscript() is not None):
        return
    theirs = bench.ask("in_r", data, repeats=1)
    if theirs is None:
        return
    plain, sturdy = theirs.seconds["cox"], theirs.seconds["cox_clustered"]
    bench.note(size, "R Cox", plain, "s", peak_mb=theirs.peak_mb)
    bench.note(size, "R Cox / ours, counts + fit", plain / took[0], "x")
    bench.note(size, "R Cox: largest difference", _apart(found[0], theirs.found[:3]), "")
    bench.note(size, "R Cox clustered", sturdy, "s")
    bench.note(size, "R Cox clustered / ours, counts + fit + pass", sturdy / sum(took), "x")
    apart = _apart(found[1], theirs.found[3:])
    bench.note(size, "R clustered standard errors: largest difference", apart, "")


def main() -> None:
    """Run all sizes asked for."""
    options = parser(__doc__).parse_args()
    bench = Bench("hazards", Path(__file__).resolve(), options, CONTESTANTS)
    if options.worker:
        bench.work()
        return
    sizes = [round(s) for s in options.sizes or ((5_000,) if options.small else SIZES)]
    with tempfile.TemporaryDirectory() as made:
        for size in sizes:
            one_size(bench, (options.folder or Path(made)) / f"episodes_{size}.parquet", size)
    bench.finish()


if __name__ == "__main__":
    main()
