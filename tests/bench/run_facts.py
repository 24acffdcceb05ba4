"""How long roster and part lines take to become lives, beside one scan of the same columns.

    python tests/bench/run_facts.py                 10^6 and 10^7 part lines
    python tests/bench/run_facts.py --small         tiny, to see that all runs

The whole way of the package: `stg_*` views over the stored tables, then `fact_episodes`,
`fact_findings`, `fact_sockets`, `fact_spans`, `fact_lives` as temporary tables, as every session
builds them; then `lives_cells` for every part. A scan adds up every column that this reads (of a
text its length), once from Parquet and once from the warehouse itself.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import made_records
from measure import Bench, clocked, parser

from failstats.warehouse.session import open_session

SIZES = (1_000_000, 10_000_000)
LINES_PER_UNIT = 10.0
FACTS = ("fact_episodes", "fact_findings", "fact_sockets", "fact_spans", "fact_lives")
COLUMNS = {
    "units": ("unit_id", "family", "fuel", "installed_on", "enrolled_on", "left_on", "left_because",
              "loads_per_week", "van_id"),
    "jobs": ("job_id", "unit_id", "visited_on", "kind", "complaint", "van_id", "technician_id",
             "completed", "continues", "labour_min"),
    "lines": ("job_id", "part", "position", "finding", "mode", "test", "action", "broke_at",
              "item_id", "cost"),
}  # fmt: skip

Lap = Callable[[str], None]


def _sums(connection: duckdb.DuckDBPyConnection, table: str, source: str) -> str:
    """One select that adds up the columns of a table, texts by their length."""
    described = connection.execute(f"describe select * from {source}").fetchall()
    kinds = {row[0]: row[1] for row in described}
    terms = []
    for name in COLUMNS[table]:
        if kinds[name] == "VARCHAR":
            terms.append(f"sum(strlen({name}))")
        elif kinds[name] == "DATE":
            terms.append(f"sum(date_diff('day', date '2000-01-01', {name}))")
        else:
            terms.append(f"sum(cast({name} as double))")
    return f"select {', '.join(terms)} from {source}"


def _scan(
    connection: duckdb.DuckDBPyConnection, sources: dict[str, str], repeats: int
) -> dict[str, Any]:
    selects = [_sums(connection, table, source) for table, source in sources.items()]

    def steps(done: Lap) -> None:
        for select in selects:
            connection.execute(select).fetchall()
        done("scan")

    return clocked(steps, repeats=repeats)


def scan_stored(data: Path, repeats: int) -> dict[str, Any]:
    """Add the columns of the warehouse's own tables up."""
    connection = duckdb.connect(str(data), read_only=True)
    return _scan(connection, {table: f"raw.{table}" for table in COLUMNS}, repeats)


def scan_parquet(data: Path, repeats: int) -> dict[str, Any]:
    """Add the same columns up from Parquet."""
    sources = {table: f"read_parquet('{_parquet(data, table)}')" for table in COLUMNS}
    return _scan(duckdb.connect(), sources, repeats)


def _parquet(data: Path, table: str) -> str:
    return data.with_name(f"{data.stem}_{table}.parquet").as_posix()


def ours(data: Path, repeats: int) -> dict[str, Any]:
    """Build all facts of lives in a new session, then count every part by age."""

    def steps(done: Lap) -> dict[str, int]:
        with open_session(data) as session:
            for fact in FACTS:
                session.build(fact)
                done(fact)
            lives = session.scalar("select count(*) from fact_lives")
            parts = session.connection.execute("select distinct part from fact_lives").fetchall()
            for (part,) in parts:
                session.run(
                    "lives_cells", part=part, births=["known"], followed=["contract", "call_out"],
                    by=[], bracket="stated_end", clock="days",
                )  # fmt: skip
            done("lives_cells")
        return {"lives": int(lives), "parts": len(parts)}

    return clocked(steps, repeats=repeats, warm=False)


CONTESTANTS = {"scan_stored": scan_stored, "scan_parquet": scan_parquet, "ours": ours}


def one_size(bench: Bench, data: Path, size: int) -> None:
    """Both scans, then the way from lines to lives to counts."""
    if not data.exists():
        made_records.warehouse(
            data, lines=size, lines_per_unit=LINES_PER_UNIT, seed=bench.options.seed
        )
    with duckdb.connect(str(data), read_only=True) as connection:
        for table, columns in COLUMNS.items():
            connection.execute(
                f"copy (select {', '.join(columns)} from raw.{table}) "
                f"to '{_parquet(data, table)}' (format parquet)"
            )
    stored, parquet = bench.ask("scan_stored", data), bench.ask("scan_parquet", data)
    mine = bench.ask("ours", data)
    if stored is None or parquet is None or mine is None:
        raise SystemExit("scan and ours must run")
    bench.note(size, "scan of the warehouse", stored.seconds["total"], "s", peak_mb=stored.peak_mb)
    bench.note(size, "scan of Parquet", parquet.seconds["total"], "s", peak_mb=parquet.peak_mb)
    for fact in (*FACTS, "lives_cells"):
        bench.note(size, fact, mine.seconds[fact], "s")
    bench.note(size, "lives made", mine.found["lives"], "lives")
    total = sum(mine.seconds[fact] for fact in FACTS)
    bench.note(size, "lines to lives", total, "s", peak_mb=mine.peak_mb)
    bench.note(size, "lines to lives / scan of Parquet", total / parquet.seconds["total"], "x")
    bench.note(size, "lines to lives / scan of the warehouse", total / stored.seconds["total"], "x")
    ratio = mine.seconds["fact_lives"] / parquet.seconds["total"]
    bench.note(size, "fact_lives alone / scan of Parquet", ratio, "x")


def main() -> None:
    """Run all sizes asked for."""
    options = parser(__doc__).parse_args()
    bench = Bench("facts", Path(__file__).resolve(), options, CONTESTANTS)
    if options.worker:
        bench.work()
        return
    sizes = [round(s) for s in options.sizes or ((10_000,) if options.small else SIZES)]
    with tempfile.TemporaryDirectory() as made:
        for size in sizes:
            one_size(bench, (options.folder or Path(made)) / f"warehouse_{size}.duckdb", size)
    bench.finish()


if __name__ == "__main__":
    main()
