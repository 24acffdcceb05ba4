"""How long does a load take beside reading alone? Medians and ratios of one run.

::

    python tests/bench/load.py                    # 10^6 CSV lines, an XLSX sheet, unit strings
    python tests/bench/load.py --rows 10000000 --only csv
    python tests/bench/load.py --small            # some seconds, to see that it runs

A ratio is of two medians of one run on one machine; the seconds themselves say little on a machine
that others use too, so processor time stands beside the time on the clock. The floor of a load is
DuckDB's own ``count(*)`` over the same files: it splits every line and keeps nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import duckdb

ROWS = 1_000_000
SMALL = 20_000
SHEET_ROWS = 100_000
SPELLINGS = 1_000_000
SEED = 20240611
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


def generate(folder: Path, rows: int, seed: int = SEED) -> dict[str, int]:
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
                f"copy (select '{header}' as line union all select case when mix(i, 50) % {BAD} > 0 "
                f"then {joined} else case mix(i, 51) % {len(KINDS)} {' '.join(cases)} "
                f"else {joined} end end from (select i, {numbered} from range({counts[name]}) "
                f"as t(i))) to '{path}' (header false, quote '', escape '', delimiter '\x01')"
            )
    return counts
