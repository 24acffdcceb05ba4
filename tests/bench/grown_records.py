"""A made-up company of any size as CSV files, a folder a year; the same seed gives the same rows.

Units are made some at a time and appended to the files of their years, so that the number of
lines is bounded by the disk alone. Every number comes from a hash of (unit, purpose, seed).

What is made, so that every question has an answer: six parts with Weibull lives that wear faster
where the vent is neglected; thermostats that stick closed unseen and trip the cutout until somebody
tests them hot; two thirds of the units on contract, some from later than their installation, the
rest known from calls alone; visits that had to be made twice; maintenance visits on which parts are
looked at; cleanings by habit. About fifteen lines to a unit.
"""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import duckdb
from made_records import FAMILIES, draws

__all__ = ["FIRST", "LINES_PER_UNIT", "YEARS", "write_company"]

FIRST = dt.date(2016, 1, 1)
YEARS = tuple(range(2016, 2026))
#: Days of the records, 2016-01-01 to 2025-12-31.
SPAN = 3653
#: A little below what the rules below give (15.4), so that no size is short.
LINES_PER_UNIT = 15.35
UNITS_AT_ONCE = 50_000

#: part: Weibull shape, scale in days, mode of a failure, days of which neglect takes a share.
PARTS = (
    ("coil", 1.8, 3300.0, "open_circuit", 1.5),
    ("cutout", 1.3, 5200.0, "open_circuit", 1.2),
    ("thermostat", 2.0, 4200.0, "stuck_closed", 1.2),
    ("fuse", 1.2, 4600.0, "open_circuit", 1.6),
    ("belt", 2.5, 3000.0, "broken", 1.0),
    ("door_switch", 1.5, 4000.0, "broken", 1.0),
)
MOST_LIVES = 6  # of one socket within forty years that are looked at

HEADERS = {
    "units": "unit_id,family,fuel,installed_on,enrolled_on,left_on,left_because,loads_per_week,"
    "duct_length,elbows_90,van_id",
    "jobs": "job_id,unit_id,visited_on,kind,complaint,van_id,technician_id,completed,continues,"
    "labour",
    "lines": "job_id,part,position,finding,mode,test,action,item_id,cost",
    "cleanings": "unit_id,cleaned_on,scope,cleaned_by",
}
STEPS = {
    # way: under 0.45 on contract from installation, under 0.65 on contract later, else call-outs
    "made_units": """
        select *,
            first_day - case when way >= 0.45 then older else 0 end as installed,
            least(first_day + stays, {span} - 1) as last_day,
            first_day + stays < {span} as leaves
        from (
            select i as unit, u(i, 1) as way,
                cast(floor(u(i, 2) * {span} * 0.5) as integer) as first_day,
                cast(floor(u(i, 3) * 2500) as integer) as older,
                cast(floor(-ln(u(i, 4)) * 4000) as integer) + 30 as stays,
                cast(floor(u(i, 5) * {families}) as integer) as family,
                round(2 + 8 * u(i, 6), 1) as loads,
                cast(floor(u(i, 7) * 8) as integer) as van,
                u(i, 8) < 0.4 as neglected
            from range({low}, {high}) as numbers(i)
        )
    """,
    # a renewal process of each socket from installation; failures within the watched days
    "made_failures": """
        with draws as (
            select unit, part.number, part.part, part.mode, k.turn,
                part.scale / case when neglected then part.neglect else 1 end
                / (0.7 + loads / 20)
                * pow(-ln(u(unit * 64 + part.number * 8 + k.turn, 20)), 1 / part.shape) as life
            from made_units, made_parts as part, range({most}) as k(turn)
        ),
        failed as (
            select *, cast(ceil(sum(life) over (
                partition by unit, number order by turn)) as integer) + 1 as age
            from draws
        )
        select unit.*, failed.number, failed.part, failed.mode, failed.turn,
            unit.installed + failed.age as day,
            u(unit.unit * 64 + failed.number * 8 + failed.turn, 21) as luck,
            u(unit.unit * 64 + failed.number * 8 + failed.turn, 22) as more
        from failed inner join made_units as unit using (unit)
        where unit.installed + failed.age between unit.first_day and unit.last_day
    """,
    # silent thermostats show themselves by the cutout they trip, once or twice
    "made_calls": """
        select *, day as on_day, 0 as visit, true as finds from made_failures
        where part <> 'thermostat' or luck < 0.4
        union all by name
        select *, day + 20 + cast(floor(-ln(more) * 300) as integer) as on_day, 1 as visit,
            luck > 0.65 as finds
        from made_failures where part = 'thermostat' and luck >= 0.4
        union all by name
        select *, day + 20 + cast(floor(-ln(more) * 300) as integer)
            + 10 + cast(floor(-ln(1 - more) * 60) as integer) as on_day, 2 as visit, true as finds
        from made_failures where part = 'thermostat' and luck >= 0.4 and luck <= 0.65
    """,
    # every visit: calls, second visits for the same fault, maintenance of contract units
    "made_visits": """
        select unit, van, part, case when part = 'thermostat' and visit = 0 then 'open_circuit'
                else mode end as mode, visit, finds, more,
            'call_out' as kind, on_day, luck,
            printf('j%d-%d-%d-%d', unit, number, turn, visit) as job,
            cast(null as varchar) as continues,
            u(unit * 64 + number * 8 + turn, 23) >= 0.1 as completed
        from made_calls where on_day <= last_day
        union all by name
        select unit, van, part, mode, visit, finds, more, 'call_out' as kind,
            on_day + 3 + cast(floor(luck * 10) as integer) as on_day, luck,
            printf('j%d-%d-%d-%dr', unit, number, turn, visit) as job,
            printf('j%d-%d-%d-%d', unit, number, turn, visit) as continues, true as completed
        from made_calls
        where u(unit * 64 + number * 8 + turn, 23) < 0.1
            and on_day + 3 + cast(floor(luck * 10) as integer) <= last_day
        union all by name
        select unit, van, cast(null as varchar) as part, cast(null as varchar) as mode, 0 as visit,
            true as finds, u(unit * 64 + year.number, 31) as more,
            'maintenance' as kind,
            first_day + 200 + year.number * 330
                + cast(floor(u(unit * 64 + year.number, 30) * 120) as integer) as on_day,
            u(unit * 64 + year.number, 32) as luck,
            printf('j%d-m%d', unit, year.number) as job, cast(null as varchar) as continues,
            true as completed
        from made_units, range(11) as year(number)
        where way < 0.65 and first_day + 200 + year.number * 330
            + cast(floor(u(unit * 64 + year.number, 30) * 120) as integer) <= last_day
    """,
    "made_lines": """
        with named as (
            -- what brought the call; a trip is found at the cutout
            select job, on_day, case when visit = 0 then part else 'cutout' end as part,
                'failed' as finding, case when visit = 0 then mode else 'tripped' end as mode,
                case when visit = 0 then 'visual' else 'cold_continuity' end as test,
                case when completed then 'replaced' else 'kept' end as action
            from made_visits where kind = 'call_out' and continues is null
            union all by name
            select job, on_day, case when visit = 0 then part else 'cutout' end as part,
                'failed' as finding, case when visit = 0 then mode else 'tripped' end as mode,
                'visual' as test, 'replaced' as action
            from made_visits where continues is not null
            union all by name
            -- the thermostat behind a trip: found by the hot test, or passed cold
            select job, on_day, 'thermostat' as part,
                case when finds then 'failed' else 'working' end as finding,
                case when finds then 'stuck_closed' end as mode,
                case when finds then 'hot_cycle' else 'cold_continuity' end as test,
                case when finds then 'replaced' else 'kept' end as action
            from made_visits where visit > 0 and continues is null
            union all by name
            -- another part looked at, now and then replaced with it though it works
            select job, on_day, other.part, 'working' as finding, cast(null as varchar) as mode,
                case when other.part in ('belt', 'door_switch') then 'visual'
                    when luck < 0.4 then 'hot_cycle' else 'cold_continuity' end as test,
                case when kind = 'call_out' and completed and more < 0.12 then 'replaced'
                    else 'kept' end as action
            from made_visits as visit
            inner join made_parts as other
                on other.number = cast(floor(luck * 997) as integer) % 6
                or other.number = (cast(floor(luck * 997) as integer)
                    + 1 + cast(floor(more * 977) as integer) % 5) % 6
            where continues is null and other.part <> coalesce(visit.part, '')
                and (visit.visit = 0 or other.part not in ('cutout', 'thermostat'))
        )
        select *, case when action = 'replaced' then part || '-e' end as item from named
    """,
    "made_cleanings": """
        select unit, first_day + 40 + turn.number * every
                + cast(floor(u(unit * 64 + turn.number, 40) * every * 0.5) as integer) as on_day,
            u(unit * 64 + turn.number, 41) as luck
        from (select *, case when neglected then 1000 else 330 end as every from made_units),
            range(12) as turn(number)
        where way < 0.65 and first_day + 40 + turn.number * every
            + cast(floor(u(unit * 64 + turn.number, 40) * every * 0.5) as integer) <= last_day
    """,
}
DAY = "date '2016-01-01' + cast({} as integer)"
ROWS = {
    "units": f"""select printf('u%09d', unit), 'E' || family, 'electric',
        {DAY.format("installed")}, case when way < 0.65 then {DAY.format("first_day")} end,
        case when leaves and (way < 0.65 or u(unit, 50) < 0.3) then {DAY.format("last_day")} end,
        case when leaves and (way < 0.65 or u(unit, 50) < 0.3) then 'moved' end,
        case when u(unit, 51) < 0.95 then loads end,
        (1 + cast(floor(u(unit, 52) * 25) as integer)) || ' ft',
        cast(floor(u(unit, 53) * 4) as integer), 'v' || van from made_units""",
    "jobs": f"""select job, printf('u%09d', unit), {DAY.format("on_day")}, kind,
        case when kind = 'call_out' then case when part in ('belt') then 'noisy'
            when part = 'door_switch' then 'dead' else 'no_heat' end end,
        'v' || van, 't-' || cast(floor(more * 200) as integer),
        case when completed then 'yes' else 'no' end, continues,
        (20 + cast(floor(luck * 60) as integer)) || ' min' from made_visits""",
    "lines": """select job, part, 1, finding, mode, test, action, item,
        case when item is not null then 20 + length(item) end from made_lines""",
    "cleanings": f"""select distinct on (unit, on_day) printf('u%09d', unit),
        {DAY.format("on_day")}, 'full_run',
        case when luck < 0.9 then 'company' else 'owner' end from made_cleanings""",
}  # fmt: skip


def write_company(folder: Path, *, lines: int, seed: int = 1) -> dict[str, int]:
    """Write a company of about this many part lines; rows by table.

    ``folder/roster`` holds the units; ``folder/2016`` to ``folder/2025`` the jobs, lines and
    cleanings of a year, to be loaded in that order.
    """
    units = max(1, round(lines / LINES_PER_UNIT))
    made = dict.fromkeys(HEADERS, 0)
    for year in YEARS:
        (folder / str(year)).mkdir(parents=True)
    (folder / "roster").mkdir()
    with duckdb.connect() as connection:
        draws(connection, seed)
        connection.execute(
            "create temp table made_parts (number integer, part varchar, shape double, "
            "scale double, mode varchar, neglect double)"
        )
        connection.executemany(
            "insert into made_parts values ($1, $2, $3, $4, $5, $6)",
            [(number, *part) for number, part in enumerate(PARTS)],
        )
        for low in range(0, units, UNITS_AT_ONCE):
            given = {"low": low, "high": min(low + UNITS_AT_ONCE, units), "span": SPAN,
                     "families": FAMILIES, "most": MOST_LIVES}  # fmt: skip
            for name, step in STEPS.items():
                connection.execute(f"create or replace temp table {name} as {step.format(**given)}")
            made["units"] += _append(connection, folder / "roster", "units", ROWS["units"])
            for year in YEARS:
                start = (dt.date(year, 1, 1) - FIRST).days
                within = f" where on_day >= {start} and on_day < {start + 365 + (year % 4 == 0)}"
                for name in ("jobs", "lines", "cleanings"):
                    made[name] += _append(connection, folder / str(year), name, ROWS[name] + within)
    return made


def _append(connection: duckdb.DuckDBPyConnection, folder: Path, name: str, rows: str) -> int:
    """Add rows to a CSV file."""
    path, beside = folder / f"{name}.csv", folder / f"{name}.next"
    written = connection.execute(
        f"copy ({rows}) to '{beside.as_posix()}' (format csv, header false)"
    ).fetchall()[0][0]
    with path.open("ab") as whole:
        if not whole.tell():
            whole.write((HEADERS[name] + "\n").encode())
        with beside.open("rb") as part:
            shutil.copyfileobj(part, whole, 2**20)
    beside.unlink()
    return int(written)
