"""How long roster and part lines take to become lives, beside one scan of the same columns.

    python tests/bench/run_facts.py                 10^6 and 10^7 part lines
    python tests/bench/run_facts.py --small         tiny, to see that all runs

The whole way of the package: `stg_*` views over the stored tables, then all that `fact_lives`
reads, as every session builds it; then `lives_cells` for every part, and the facts that other
questions read beside lives. Parts of the work are timed alone in the same run: the join of lines
to visits by their text, the join of visits to units, a sort of as many numbers as there are lines,
the first and last visit of each unit, as many rows written as there are lives.
A scan adds up every column that this reads (of a
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
#: what `fact_lives` reads, in the order in which it is built; then the other facts of lives
FACTS = (
    "fact_units", "fact_visits", "fact_visited", "fact_same_day", "fact_joined_visits",
    "fact_places", "fact_changes", "fact_roster", "fact_watched", "fact_numbered_lives",
    "fact_lives",
)  # fmt: skip
OTHERS = ("fact_spans", "fact_episodes", "fact_findings", "fact_sockets")
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
            for fact in OTHERS:
                session.build(fact)
                done(fact)
        return {"lives": int(lives), "parts": len(parts)}

    return clocked(steps, repeats=repeats, warm=0)


#: lives per line of the made-up records, as counted ("lives made" below)
LIVES_PER_LINE = 0.569
ALONE = {
    "lines joined to visits by text": "select sum(job.rowid) from raw.lines as line "
    "inner join raw.jobs as job on job.job_id = line.job_id",
    "visits joined to units by text": "select sum(unit.rowid) from raw.jobs as job "
    "inner join raw.units as unit on unit.unit_id = job.unit_id",
    "sort of one number a line": "create or replace temp table sorted as "
    "select hash(rowid) as number from raw.lines order by number",
    "first and last visit of each unit": "create or replace temp table visited as "
    "select job.unit_id, min(job.visited_on) as first_on, max(job.visited_on) as last_on "
    "from raw.jobs as job group by job.unit_id",
    "as many rows written as there are lives": "create or replace temp table written as select "
    "cast(i as integer) as span_number, cast(i % 40 as integer) as place_number, "
    "cast(i % 3 as integer) as ordinal, i % 2 = 0 as first_fitted, "
    "date '2015-01-01' + cast(i % 4000 as integer) as born_on, "
    "date '2016-01-01' + cast(i % 4000 as integer) as closes_on, "
    "cast(i % 5 as utinyint) as closes_by, cast(i % 9 as integer) as closes_mode, "
    "cast(i % 60 as integer) as item_number "
    f"from range((select cast({LIVES_PER_LINE} * count(*) as bigint) from raw.lines)) as n(i)",
}
#: What the joins would cost if the tables held numbers for their texts; made beforehand, not timed.
NUMBERED = (
    "create temp table numbered_jobs as select job.rowid as job_number, unit.rowid as unit_number "
    "from raw.jobs as job inner join raw.units as unit on unit.unit_id = job.unit_id",
    "create temp table numbered_units as select unit.rowid as unit_number from raw.units as unit",
    "create temp table numbered_lines as select job.rowid as job_number from raw.lines as line "
    "inner join raw.jobs as job on job.job_id = line.job_id",
)
BY_NUMBER = {
    "lines joined to visits by number": "select sum(job.unit_number) from numbered_lines as line "
    "inner join numbered_jobs as job on job.job_number = line.job_number",
    "visits joined to units by number": "select sum(job.job_number) from numbered_jobs as job "
    "inner join numbered_units as unit on unit.unit_number = job.unit_number",
}


def alone(data: Path, repeats: int) -> dict[str, Any]:
    """The steps that no way from these records to lives can do without, each alone."""
    connection = duckdb.connect(str(data), read_only=True)
    for statement in NUMBERED:
        connection.execute(statement)

    def steps(done: Lap) -> None:
        for name, select in {**ALONE, **BY_NUMBER}.items():
            connection.execute(select).fetchall()
            done(name)

    return clocked(steps, repeats=repeats)


CONTESTANTS = {
    "alone": alone,
    "scan_stored": scan_stored,
    "scan_parquet": scan_parquet,
    "ours": ours,
}


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
    mine, parts = bench.ask("ours", data), bench.ask("alone", data)
    if stored is None or parquet is None or mine is None or parts is None:
        raise SystemExit("scan and ours must run")
    bench.note(size, "scan of the warehouse", stored.seconds["total"], "s", peak_mb=stored.peak_mb)
    bench.note(size, "scan of Parquet", parquet.seconds["total"], "s", peak_mb=parquet.peak_mb)
    for fact in (*FACTS, "lives_cells", *OTHERS):
        bench.note(size, fact, mine.seconds[fact], "s")
    for name in (*ALONE, *BY_NUMBER):
        bench.note(size, f"alone: {name}", parts.seconds[name], "s")
    bench.note(size, "lives made", mine.found["lives"], "lives")
    total = sum(mine.seconds[fact] for fact in FACTS)
    bench.note(size, "lines to lives", total, "s", peak_mb=mine.peak_mb)
    bench.note(size, "lines to lives / scan of Parquet", total / parquet.seconds["total"], "x")
    bench.note(size, "lines to lives / scan of the warehouse", total / stored.seconds["total"], "x")
    for what, took in (
        ("those five steps alone", sum(parts.seconds[name] for name in ALONE)),
        (
            "the same with numbers for texts",
            sum(parts.seconds[name.replace("by text", "by number")] for name in ALONE),
        ),
        ("lines to lives to counts", total + mine.seconds["lives_cells"]),
        ("all facts of lives", total + sum(mine.seconds[fact] for fact in OTHERS)),
    ):
        bench.note(size, f"{what} / scan of Parquet", took / parquet.seconds["total"], "x")


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
