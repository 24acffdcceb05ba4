"""Made-up records of any size, written by DuckDB; the same seed gives the same rows.

Numbers come from hashes of (row, purpose, seed), so they depend neither on threads nor on order.
"""

from __future__ import annotations

from pathlib import Path

import duckdb

from failstats.vocabulary import load_vocabulary
from failstats.warehouse.store import rebuild

__all__ = ["FAMILIES", "draws", "episodes", "lives", "warehouse"]

FAMILIES = 10
#: Last day of the made-up records, in days after their first.
SPAN = 3652


def draws(connection: duckdb.DuckDBPyConnection, seed: int) -> None:
    """Give the connection `u(row, purpose)`, a number in (0, 1) that only depends on both."""
    connection.execute(
        "create or replace macro u(number, purpose) as "
        f"((hash(number, purpose, {int(seed)}) >> 12) + 0.5) / 4503599627370496.0"
    )


def lives(path: Path, *, rows: int, seed: int = 1) -> None:
    """Part lives as Parquet: part (3), family (10), entry, exit (whole days), cause (0 to 2), unit.

    Weibull lives (shape 1.8, scale 9 years), a competing cause, a third enter late, others are
    followed to the records' end; cause 0 is still working.
    """
    connection = duckdb.connect()
    draws(connection, seed)
    connection.execute(
        f"""
        copy (
            with drawn as (
                select
                    cast(i // 3 as integer) as unit,
                    cast(i % 3 as utinyint) as part,
                    cast(floor(u(i // 3, 1) * {FAMILIES}) as utinyint) as family,
                    case when u(i, 2) < 0.33 then cast(floor(u(i, 3) * 3000) as integer) else 0
                    end as entry,
                    cast(floor(u(i, 4) * {SPAN}) as integer) + 1 as followed,
                    3287.0 * pow(-ln(u(i, 5)), 1 / 1.8) as life,
                    -ln(u(i, 6)) * 12000.0 as other
                from range({int(rows)}) as numbers(i)
            ),
            ended as (
                select *,
                    -- a life that was over before watching began is drawn again, conditionally:
                    case when entry > 0
                        then 3287.0 * pow(
                            pow(entry / 3287.0, 1.8) + pow(life / 3287.0, 1.8), 1 / 1.8)
                        else life end as fails,
                    entry + other as taken,
                    entry + followed as stops
                from drawn
            )
            select
                unit, part, family,
                cast(entry as smallint) as entry,
                cast(ceil(least(fails, taken, stops)) as smallint) as exit,
                cast(case when fails <= least(taken, stops) then 1
                    when taken <= stops then 2 else 0 end as utinyint) as cause
            from ended
        ) to '{path.as_posix()}' (format parquet)
        """
    )
    connection.close()


def episodes(path: Path, *, rows: int, seed: int = 1) -> None:
    """Lives split where the vent's state changes, as Parquet, about 2.4 episodes a life.

    Columns: unit, stratum (family), pattern (state of the vent x 10 bins of loads), start, stop,
    failed. ``rows`` is the number of lives. The true hazard ratios by state are 1, 1.3, 1.8.
    """
    connection = duckdb.connect()
    draws(connection, seed)
    connection.execute(
        f"""
        copy (
            with drawn as (
                select
                    i,
                    cast(i // 3 as integer) as unit,
                    cast(floor(u(i // 3, 1) * {FAMILIES}) as utinyint) as stratum,
                    cast(floor(u(i // 3, 2) * 10) as integer) as loads,
                    cast(floor(u(i, 3) * {SPAN}) as integer) + 1 as followed,
                    cast(floor(u(i, 4) * 1100) as integer) + 100 as first_turn,
                    cast(floor(u(i, 5) * 900) as integer) + 200 as second_turn,
                    -ln(u(i, 6)) as tolerance
                from range({int(rows)}) as numbers(i)
            ),
            -- cumulative hazard (age / 3287) ** 1.8 times the ratio of the state and of the loads
            paced as (
                select *,
                    exp(0.04 * (loads - 4.5)) as pace,
                    first_turn as t1,
                    first_turn + second_turn as t2
                from drawn
            ),
            spent as (
                select *,
                    pow(t1 / 3287.0, 1.8) as h1,
                    pow(t2 / 3287.0, 1.8) as h2,
                    tolerance / pace as budget
                from paced
            ),
            lived as (
                select *,
                    3287.0 * pow(case
                        when budget <= h1 then budget
                        when budget <= h1 + 1.3 * (h2 - h1) then h1 + (budget - h1) / 1.3
                        else h2 + (budget - h1 - 1.3 * (h2 - h1)) / 1.8
                    end, 1 / 1.8) as life
                from spent
            ),
            ended as (
                select *,
                    cast(ceil(least(life, followed)) as integer) as stops,
                    life <= followed as fails
                from lived
            ),
            split as (
                select *,
                    case state when 0 then 0 when 1 then t1 else t2 end as opens,
                    case state when 0 then t1 when 1 then t2 else 32000 end as closes
                from ended, (values (0), (1), (2)) as states(state)
            )
            select
                unit, stratum,
                cast(state * 10 + loads as utinyint) as pattern,
                cast(opens as smallint) as start,
                cast(least(stops, closes) as smallint) as stop,
                cast(fails and stops <= closes as utinyint) as failed
            from split
            where opens < stops
        ) to '{path.as_posix()}' (format parquet)
        """
    )
    connection.close()


def warehouse(path: Path, *, lines: int, lines_per_unit: float = 10.0, seed: int = 1) -> None:
    """A warehouse with this many part lines, about 2.5 to a visit, and a roster to match.

    Half of the units are on contract from installation, three in ten joined later, the rest are
    known from calls alone. Every visit names two or three parts, one visit in ten is unfinished.
    """
    with rebuild(path) as connection:
        draws(connection, seed)
        jobs, units = round(lines / 2.5), max(1, round(lines / lines_per_unit))
        words = [part for part in load_vocabulary().parts.values() if part.on_every_unit]
        parts = [part.name for part in words if "electric" in part.fuels][:6]
        connection.execute("create temp table parts (number integer, part varchar)")
        connection.executemany("insert into parts values ($1, $2)", list(enumerate(parts)))
        connection.execute(
            f"""
            insert into raw.units by name
            with drawn as (
                select i, date '2016-01-01' as opens, u(i, 1) as way,
                    cast(floor(u(i, 2) * {SPAN}) as integer) as began,
                    cast(floor(u(i, 3) * 2500) as integer) as older,
                    cast(floor(-ln(u(i, 4)) * 4000) as integer) as stays
                from range({units}) as numbers(i)
            )
            select
                'u' || lpad(cast(i as varchar), 8, '0') as unit_id,
                'E' || cast(floor(u(i, 5) * {FAMILIES}) as integer) as family,
                'electric' as fuel,
                opens + (began - case when way > 0.5 then older else 0 end) as installed_on,
                case when way < 0.8 then opens + began end as enrolled_on,
                case when began + stays < {SPAN} then opens + (began + stays) end as left_on,
                case when began + stays < {SPAN} then 'moved' end as left_because,
                round(2 + 8 * u(i, 6), 1) as loads_per_week,
                false as vent_new,
                'v' || cast(floor(u(i, 7) * 5) as integer) as van_id,
                1 as batch, 'units.csv' as file, i + 2 as line
            from drawn
            """
        )
        connection.execute(
            f"""
            insert into raw.jobs by name
            select
                'j' || lpad(cast(i as varchar), 9, '0') as job_id,
                'u' || lpad(cast(cast(floor(u(i, 11) * {units}) as bigint) as varchar), 8, '0')
                as unit_id,
                date '2016-01-01' + cast(floor(u(i, 12) * {SPAN}) as integer) as visited_on,
                case when u(i, 13) < 0.8 then 'call_out' else 'maintenance' end as kind,
                'no_heat' as complaint,
                'v' || cast(floor(u(i, 14) * 5) as integer) as van_id,
                't-' || cast(floor(u(i, 15) * 20) as integer) as technician_id,
                u(i, 16) > 0.1 as completed,
                45.0 as labour_min,
                1 as batch, 'jobs.csv' as file, i + 2 as line
            from range({jobs}) as numbers(i)
            """
        )
        connection.execute(
            f"""
            insert into raw.lines by name
            with drawn as (
                select i, (i * 2) // 5 as job, i - ((i * 2) // 5 * 5 + 1) // 2 as place
                from range({int(lines)}) as numbers(i)
            ),
            named as (
                select *, (cast(floor(u(job, 21) * 6) as integer) + place) % {len(parts)} as number,
                    u(i, 22) as luck
                from drawn
            )
            select
                'j' || lpad(cast(job as varchar), 9, '0') as job_id,
                parts.part,
                1 as position,
                case when luck < 0.35 then 'failed' when luck < 0.4 then 'worn'
                    when luck < 0.97 then 'working' else 'untested' end as finding,
                case when luck < 0.03 then 'tripped' when luck < 0.35 then 'open_circuit' end
                as mode,
                case when u(i, 23) < 0.3 then 'hot_cycle' else 'cold_continuity' end as test,
                case when luck < 0.32 then 'replaced' when luck < 0.4 then 'kept'
                    when luck < 0.46 then 'replaced' else 'kept' end as action,
                case when luck < 0.32 then parts.part || '-e' end as item_id,
                1 as batch, 'lines.csv' as file, i + 2 as line
            from named inner join parts on parts.number = named.number
            """
        )
        connection.execute(
            "insert into raw.settings values ('records_from', '2016-01-01'), "
            "('records_to', '2025-12-31'), ('currency', 'USD')"
        )
