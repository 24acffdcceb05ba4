"""How long a load takes beside DuckDB's ``count(*)`` of the same files; sheets; unit strings.

    python tests/bench/load.py                          10^6 CSV lines, a sheet, unit strings
    python tests/bench/load.py --sizes 1e6 1e7 --write
    python tests/bench/load.py --small                  seconds, to see that all runs

A made-up company's units, jobs, lines and cleanings, in the demo's proportions, one row in a
hundred bad in ten kinds. ``count(*)`` splits every line and keeps nothing (it skips the lines it
cannot split); the load checks, quarantines, hashes the file and stores. What lies between is shown
by storing the same good rows once more, typed and in memory already, in the tables of a new file.

Each runs in a process of its own; seconds on the clock and of the processors are both printed, and
both ratios: on a machine that others use, the second is the one to read.
"""

from __future__ import annotations

import os
import random
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import duckdb
from measure import Bench, parser

SIZES = (1_000_000,)
SMALL = 20_000
SHEET_ROWS = 100_000
SPELLINGS = 1_000_000
# shares of the rows of the demo's company
SHARES = {"units": 0.07, "jobs": 0.19, "lines": 0.49, "cleanings": 0.25}
BAD = 100  # one row in so many is bad
KINDS = (
    "a word nobody knows", "a parent that does not exist", "too few fields", "too many fields",
    "a quote that is not closed", "a number out of its range", "a blank that must be given",
    "a quantity of another dimension", "a number that is not finite", "a date not in the calendar",
)  # fmt: skip

# per table: the header, one good row and its damaged forms (null: that kind does not fit there).
# `i` is the row's number, `mix(k)` a number drawn for it.
MACROS = """
create macro mix(i, k) as (hash(i * 64 + k + {seed}) % 1000003)::bigint;
create macro pick(words, i, k) as words[1 + mix(i, k) % len(words)];
create macro padded(prefix, number, width) as prefix || lpad(number::varchar, width, '0');
create macro day(first, i, k, days) as (first + (mix(i, k) % days)::integer)::date::varchar;
"""
TABLES = {
    "units": (
        "unit_id,family,fuel,installed_on,enrolled_on,left_on,loads_per_week,duct_length,"
        "elbows_90,van_id",
        ("padded('u', i, 8)", "pick(['E1', 'E2', 'G1', 'G2', 'H1'], i, 1)",
         "pick(['electric', 'gas', ''], i, 2)", "day(date '2010-01-01', i, 3, 3000)",
         "day(date '2018-06-01', i, 4, 700)", "''", "((mix(i, 5) % 120 + 10) / 10.0)::varchar",
         "(1 + mix(i, 6) % 30) || ' ft'", "(mix(i, 7) % 4)::varchar", "'v' || mix(i, 8) % 40"),
        {0: (3, "steem"), 5: (9, "-1"), 6: (2, ""), 7: (8, "160 °C"), 8: (7, "inf"),
         9: (4, "2019-02-30")},
    ),
    "jobs": (
        "job_id,unit_id,visited_on,kind,complaint,van_id,technician_id,completed,labour",
        ("padded('j', i, 9)", "padded('u', mix(i, 1) % {units}, 8)",
         "day(date '2020-07-01', i, 2, 1500)", "pick(['call_out', 'maintenance'], i, 3)",
         "pick(['no_heat', 'slow_dry', 'dead', 'noisy', ''], i, 4)", "'v' || mix(i, 5) % 40",
         "'t' || mix(i, 6) % 80", "pick(['yes', 'no'], i, 7)", "(10 + mix(i, 8) % 90) || ' min'"),
        {0: (4, "call"), 5: (9, "-5"), 6: (2, ""), 7: (9, "3 kg"), 8: (9, "1e400 min"),
         9: (3, "2021-04-31")},
    ),
    "lines": (
        "job_id,part,position,finding,mode,test,action,reading,broke_at,item_id,cost",
        ("padded('j', i // 3, 9)", "['coil', 'cutout', 'fuse'][1 + i % 3]", "''",
         "pick(['failed', 'worn', 'working', 'untested'], i, 3)",
         "pick(['open_circuit', 'drifted', ''], i, 4)",
         "pick(['cold_continuity', 'hot_cycle', 'visual'], i, 5)",
         "pick(['replaced', 'kept', 'cleaned'], i, 6)",
         "case mix(i, 7) % 4 when 0 then 'OL' when 1 then (mix(i, 8) % 400) / 10.0 || ' ohm' "
         "when 2 then mix(i, 9) % 200 || ' °C' else '' end", "''",
         "'item-' || mix(i, 10) % 30", "((mix(i, 11) % 9000) / 100.0)::varchar"),
        {0: (2, "coyl"), 1: (1, "nowhere"), 5: (3, "0"), 6: (4, ""), 7: (8, "12 V"),
         8: (11, "NaN")},
    ),
    "cleanings": (
        "unit_id,cleaned_on,scope,cleaned_by,job_id,lint",
        ("padded('u', i % {units}, 8)", "(date '2020-07-01' + (i // {units} * 90)::integer)"
         "::date::varchar", "pick(['full_run', 'transition', 'cabinet'], i, 3)",
         "pick(['company', 'owner'], i, 4)", "''", "(mix(i, 5) % 50) / 10.0 || ' L'"),
        {0: (3, "half_run"), 1: (1, "nowhere"), 5: (6, "-1 L"), 6: (2, ""), 7: (6, "9 ohm"),
         8: (6, "nan"), 9: (2, "2021-02-29")},
    ),
}  # fmt: skip


def generate(folder: Path, rows: int, seed: int) -> dict[str, int]:
    """Write a company's four big tables with one bad row in a hundred; rows by table."""
    folder.mkdir(parents=True, exist_ok=True)
    counts = {name: max(1, round(rows * share)) for name, share in SHARES.items()}
    counts["lines"] = rows - sum(n for name, n in counts.items() if name != "lines")
    with duckdb.connect() as connection:
        connection.execute(MACROS.format(seed=seed))
        for name, (header, fields, damage) in TABLES.items():
            good = [field.format(**counts) for field in fields]
            if name == "lines":  # every job has some
                good[0] = f"padded('j', (i // 3) % {counts['jobs']}, 9)"
                good[2] = f"(1 + i // (3 * {counts['jobs']}))::varchar"
            numbered = ", ".join(f"{field} as f{at}" for at, field in enumerate(good, start=1))
            names = [f"f{at}" for at in range(1, len(good) + 1)]
            joined = " || ',' || ".join(names)
            cases = [f"when 2 then {' || chr(44) || '.join(names[:3])}",
                     f"when 3 then {joined} || ',9,9'",
                     f"""when 4 then replace({joined}, ',' || f2, ',"' || f2)"""]  # fmt: skip
            for kind, (at, text) in damage.items():
                spoiled = [f"'{text}'" if n == f"f{at}" else n for n in names]
                cases.append(f"when {kind} then {' || chr(44) || '.join(spoiled)}")
            path = str(folder / f"{name}.csv").replace("'", "''")
            connection.execute(
                f"copy (select '{header}' as line union all select case when "
                f"mix(i, 50) % {BAD} > 0 then {joined} else case mix(i, 51) % {len(KINDS)} "
                f"{' '.join(cases)} else {joined} end end from (select i, {numbered} "
                f"from range({counts[name]}) as t(i))) to '{path}' "
                "(header false, quote '', escape '', delimiter '\x01')"
            )
    return counts


def _timed(work: Callable[[], Any], repeats: int) -> dict[str, Any]:
    """Median seconds on the clock and of the processors."""
    clock, processor, found = [], [], None
    for _ in range(repeats):
        began, used = time.perf_counter(), _processor()
        found = work()
        clock.append(time.perf_counter() - began)
        processor.append(_processor() - used)
    return {"seconds": {"clock": median(clock), "processor": median(processor)}, "found": found}


def _processor() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def count(folder: Path, repeats: int) -> dict[str, Any]:
    """The floor: how many lines each file has, its broken ones skipped."""

    def work() -> int:
        with duckdb.connect() as connection:
            rows = [
                connection.execute(
                    "select count(*) from read_csv($1, ignore_errors = true)",
                    [str(folder / f"{name}.csv")],
                ).fetchall()[0][0]
                for name in TABLES
            ]
        return sum(rows)

    return _timed(work, repeats)


def read(folder: Path, repeats: int) -> dict[str, Any]:
    """Reading alone: every field of every file, typed by DuckDB, its broken lines skipped."""

    def work() -> int:
        with duckdb.connect() as connection:
            found = [
                connection.execute(
                    "select count(columns(*)) from read_csv($1, ignore_errors = true)",
                    [str(folder / f"{name}.csv")],
                ).fetchall()[0][0]
                for name in TABLES
            ]
        return sum(found)

    return _timed(work, repeats)


def ours(folder: Path, repeats: int) -> dict[str, Any]:
    """A load into a new warehouse, imports included."""

    def work() -> dict[str, int]:
        from failstats.intake.load import load

        with tempfile.TemporaryDirectory(dir=folder) as place:
            result = load(Path(place) / "w.duckdb", [folder / f"{name}.csv" for name in TABLES])
        keys = ("rows_in", "good", "quarantined", "duplicates")
        return {key: sum(row[key] for row in result.batches) for key in keys}

    return _timed(work, repeats)


def store(folder: Path, repeats: int) -> dict[str, Any]:
    """What storing alone costs: the good rows, typed and in memory, into the same tables."""
    from failstats.intake.load import load
    from failstats.warehouse.schema import CREATE

    warehouse = folder / "stored.duckdb"
    if not warehouse.exists():
        load(warehouse, [folder / f"{name}.csv" for name in TABLES])
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        rows = {
            name: connection.sql(f"select * from raw.{name}").to_arrow_table() for name in TABLES
        }

    def work() -> int:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            connection = duckdb.connect(str(Path(place) / "w.duckdb"))
            connection.execute(CREATE)
            for name, table in rows.items():
                connection.register("typed", table)
                connection.execute(f"insert into raw.{name} by name select * from typed")
                connection.unregister("typed")
            connection.execute("checkpoint")
            connection.close()
        return sum(table.num_rows for table in rows.values())

    return _timed(work, repeats)


def sheet(folder: Path, repeats: int) -> dict[str, Any]:
    """The reader of spreadsheets alone."""
    import fastexcel

    def work() -> int:
        book = fastexcel.read_excel(str(folder / "units.xlsx"))
        return book.load_sheet("units", header_row=None, dtypes="string").to_arrow().num_rows

    return _timed(work, repeats)


def our_sheet(folder: Path, repeats: int) -> dict[str, Any]:
    """A load of the same spreadsheet into a new warehouse."""

    def work() -> int:
        from failstats.intake.load import load

        with tempfile.TemporaryDirectory(dir=folder) as place:
            result = load(Path(place) / "w.duckdb", [folder / "units.xlsx"])
        return result.batches[0]["rows_in"]

    return _timed(work, repeats)


def spelled(folder: Path, repeats: int) -> dict[str, Any]:
    """A column of written quantities: a few thousand spellings, read once each and joined back."""
    import pyarrow as pa

    from failstats.intake.columns import coded, spellings, taken
    from failstats.units import parse_quantity

    chance = random.Random(1)
    rows = int((folder / "spellings.txt").read_text())
    units = ("ohm", "Ω", "kΩ", "°C", "F")
    words = [f"{chance.randrange(4000) / 10} {chance.choice(units)}" for _ in range(rows)]
    column = pa.chunked_array([pa.array(words, pa.string())])

    def work() -> int:
        column_coded = coded(column)
        texts, _ = spellings(column_coded)
        values = [parse_quantity(text or "", kind="reading") for text in texts]
        ohms = pa.array([None if v is None else v.values[0] for v in values], pa.float64())
        return len(taken(column_coded, ohms))

    return _timed(work, repeats)


def each_spelling(folder: Path, repeats: int) -> dict[str, Any]:
    """The worst case: every row is spelled in its own way."""
    from failstats.units import parse_quantity

    rows = int((folder / "spellings.txt").read_text())
    words = [f"{at / 1000:.3f} ohm" for at in range(rows)]

    def work() -> int:
        return sum(parse_quantity(text, kind="reading") is not None for text in words)

    return _timed(work, repeats)


def unchecked(folder: Path, repeats: int) -> dict[str, Any]:
    """What DuckDB alone takes to read these files into tables, its broken lines skipped."""

    def work() -> int:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            connection = duckdb.connect(str(Path(place) / "w.duckdb"))
            for name in TABLES:
                connection.execute(
                    f"create table {name} as select * from read_csv($1, ignore_errors = true)",
                    [str(folder / f"{name}.csv")],
                )
            connection.execute("checkpoint")
            rows = [connection.table(name).count("*").fetchall()[0][0] for name in TABLES]
            connection.close()
        return sum(rows)

    return _timed(work, repeats)


CONTESTANTS = {
    "count": count, "read": read, "unchecked": unchecked, "ours": ours, "store": store,
    "sheet": sheet, "our_sheet": our_sheet, "spelled": spelled, "each_spelling": each_spelling,
}  # fmt: skip


def _sheet_of(folder: Path, rows: int, seed: int) -> None:
    """The good rows of a units table as a spreadsheet."""
    import xlsxwriter

    generate(folder / "sheet", round(rows / SHARES["units"] * 1.05), seed)
    lines = (folder / "sheet" / "units.csv").read_text("utf-8").splitlines()
    width = lines[0].count(",")
    good = [line.split(",") for line in lines if line.count(",") == width and '"' not in line]
    book = xlsxwriter.Workbook(str(folder / "units.xlsx"), {"constant_memory": True})
    page = book.add_worksheet("units")
    for at, fields in enumerate(good[: rows + 1]):
        page.write_row(at, 0, fields)
    book.close()


def _beside(bench: Bench, size: int, what: str, floor: Any, found: Any) -> None:
    """A contestant's seconds, and its ratios to its floor."""
    bench.note(size, what, found.seconds["clock"], "s", peak_mb=found.peak_mb)
    bench.note(size, f"{what}, processors", found.seconds["processor"], "s")
    if floor is not None:
        for kind, said in (("clock", ""), ("processor", ", processors")):
            ratio = found.seconds[kind] / floor.seconds[kind]
            bench.note(size, f"{what} / floor{said}", ratio, "x")


def run(bench: Bench, folder: Path) -> None:
    """Every contestant on records made here."""
    options = bench.options
    sizes = [int(size) for size in options.sizes or ((SMALL,) if options.small else SIZES)]
    sheet_rows = SMALL // 10 if options.small else SHEET_ROWS
    spellings = SMALL if options.small else SPELLINGS
    for size in sizes:
        place = folder / f"csv_{size}"
        counts = generate(place, size, options.seed)
        made = sum((place / f"{name}.csv").stat().st_size for name in TABLES) / 1e6
        print(f"{size:,} lines, {made:,.0f} MB: {counts}; load average {os.getloadavg()[0]:.1f}")
        # the floor once more at the end: what others do to the machine shows in the two
        repeats = 1 if size > 5_000_000 and options.repeats == 3 else options.repeats
        floor = bench.ask("count", place)
        _beside(bench, size, "count(*), the floor", None, floor)
        found = bench.ask("ours", place, repeats=repeats)
        if found is not None:
            _beside(bench, size, "load", floor, found)
            bench.note(size, "load, peak memory", found.peak_mb, "MB")
            told = found.found
            print(f"  {told}")
            assert told["rows_in"] == told["good"] + told["quarantined"] + told["duplicates"]
        _beside(bench, size, "typed reading alone", floor, bench.ask("read", place))
        stored = bench.ask("store", place, repeats=repeats)
        if stored is not None:
            _beside(bench, size, "storing the good rows alone", floor, stored)
        bare = bench.ask("unchecked", place)
        _beside(bench, size, "DuckDB alone, nothing checked", floor, bare)
        if found is not None and bare is not None:
            ratio = found.seconds["clock"] / bare.seconds["clock"]
            bench.note(size, "load / DuckDB alone, nothing checked", ratio, "x")
        again = bench.ask("count", place)
        if again is not None:
            _beside(bench, size, "count(*), once more", None, again)
    place = folder / "sheet"
    place.mkdir(exist_ok=True)
    _sheet_of(place, sheet_rows, options.seed)
    floor, found = bench.ask("sheet", place), bench.ask("our_sheet", place)
    _beside(bench, sheet_rows, "XLSX, its reader alone", None, floor)
    _beside(bench, sheet_rows, "XLSX load", floor, found)
    (place / "spellings.txt").write_text(str(spellings))
    for what, name in (("spelled", "unit strings, few spellings"),
                       ("each_spelling", "unit strings, every one its own")):  # fmt: skip
        found = bench.ask(what, place)
        bench.note(spellings, name, found.seconds["processor"] / spellings * 1e6,
                   "s/1e6", peak_mb=found.peak_mb)  # fmt: skip


def main() -> None:
    """Run what the options ask for."""
    options = parser(__doc__).parse_args()
    bench = Bench(name="load", program=Path(__file__), options=options, contestants=CONTESTANTS)
    if options.worker:
        bench.work()
        return
    with tempfile.TemporaryDirectory() as made:
        folder = options.folder or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        run(bench, folder)
    bench.finish()


if __name__ == "__main__":
    main()
