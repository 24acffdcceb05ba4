"""Can a partition be read, and does every row of it count?

Looked at before anything is asked, so that no answer is half made of a partition that breaks
later. A partition that cannot be read is left out as a whole, a row that cannot be used as a row;
both are named, and every answer says that it is incomplete.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import duckdb

from failstats.counts.partition_files import BY_UNIT, Files, Folder, open_files
from failstats.warehouse.schema import TABLES, stored_columns

__all__ = ["Looked", "look_through", "said_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What was found in one partition.

    Attributes
    ----------
    partition : its number.
    units : how many units it holds, as its list says.
    broken : why it cannot be read; empty where it can.
    left_out : table -> rows that cannot be used (no id, no date).
    changed : a file that is not the one that was written, though it can be used.
    """

    partition: int
    units: int
    broken: str = ""
    left_out: dict[str, int] = field(default_factory=dict)
    changed: str = ""


def look_through(where: str, files: Files, partition: int) -> Looked:
    """Look through one partition: every file is there, whole and of the right columns."""
    folder = Folder(where)
    units = files.units(partition)
    for table, listed in files.tables[partition].items():
        name = listed["file"]
        try:
            if not folder.has(name):
                return Looked(partition=partition, units=units, broken=f"{name} is missing")
            if folder.checksum(name) != listed["sha256"]:
                return _changed(folder, files, partition, table)
        except OSError as fault:
            said = fault.strerror or fault
            return Looked(partition=partition, units=units, broken=f"{name} cannot be read: {said}")
    return Looked(partition=partition, units=units)


def _changed(folder: Folder, files: Files, partition: int, table: str) -> Looked:
    """A file is not the one that was written: it may still be usable, but for some rows."""
    units = files.units(partition)
    changed = name = files.tables[partition][table]["file"]
    try:
        connection = open_files(folder, files, partition)
    except duckdb.Error as fault:
        return Looked(partition=partition, units=units, broken=_first_line(name, fault))
    try:
        left_out = {}
        for one, needed in BY_UNIT.items():
            name = files.tables[partition][one]["file"]
            wanted = [pair for column in TABLES[one].columns for pair in stored_columns(column)]
            found = dict(
                connection.execute(
                    f"select column_name, column_type from (describe raw.{one})"
                ).fetchall()
            )
            wrong = [column for column, kind in wanted if found.get(column) != kind]
            if wrong:
                return Looked(
                    partition=partition,
                    units=units,
                    broken=f"{name} lacks the column {wrong[0]}, or it is of another type",
                )
            # every column is read: a page that is broken breaks here and not in an answer
            read = ", ".join(f'count("{column}")' for column, _ in wanted)
            usable = " and ".join(f"{column} is not null" for column in needed)
            row = connection.execute(
                f"select count(*), count(*) filter (where {usable}), hash({read}) "
                f"from read_parquet({folder.literal(name)})"
            ).fetchone()
            assert row is not None
            rows, good = int(row[0]), int(row[1])
            if rows < files.tables[partition][one]["rows"]:
                return Looked(
                    partition=partition,
                    units=units,
                    broken=f"{name} holds {rows:,} rows where "
                    f"{files.tables[partition][one]['rows']:,} were written",
                )
            if rows > good:
                left_out[one] = rows - good
        foreign = _foreign(connection, files.parts, partition)
        if foreign:
            return Looked(
                partition=partition,
                units=units,
                broken=f"{files.tables[partition]['units']['file']} holds {foreign:,} units of "
                "other partitions",
            )
    except duckdb.Error as fault:
        return Looked(partition=partition, units=units, broken=_first_line(name, fault))
    finally:
        connection.close()
    return Looked(partition=partition, units=units, left_out=left_out, changed=changed)


def _foreign(connection: duckdb.DuckDBPyConnection, parts: int, partition: int) -> int:
    """Units that would be counted twice: they are of another partition."""
    row = connection.execute(
        "select count(*) from raw.units "
        "where md5_number_lower(coalesce(building_id, unit_id)) % $parts <> $partition",
        {"parts": parts, "partition": partition},
    ).fetchone()
    return 0 if row is None else int(row[0])


def _first_line(name: str, fault: Exception) -> str:
    return f"{name} cannot be read: {str(fault).splitlines()[0]}"


def said_of(looked: list[Looked]) -> list[tuple[str, str]]:
    """(code, text) of what is missing, for every answer; empty where nothing is."""
    out = []
    broken = [one for one in looked if one.broken]
    if broken:
        total = sum(one.units for one in looked)
        lost = sum(one.units for one in broken)
        named = "; ".join(f"{one.partition:05d}: {one.broken}" for one in broken[:5])
        more = f" and {len(broken) - 5} more" if len(broken) > 5 else ""
        out.append(
            (
                "partitions_missing",
                f"INCOMPLETE: {len(broken)} of {len(looked)} partitions could not be read and are "
                f"left out, with {lost:,} of {total:,} units ({named}{more}). Every count is too "
                "small by theirs.",
            )
        )
    changed = [one.changed for one in looked if one.changed]
    if changed:
        more = f" and {len(changed) - 5} more" if len(changed) > 5 else ""
        out.append(
            (
                "partitions_changed",
                "Files of partitions are not those that were written: "
                f"{', '.join(changed[:5])}{more}. They are used as they are.",
            )
        )
    rows = [(one.partition, table, n) for one in looked for table, n in one.left_out.items()]
    if rows:
        named = "; ".join(f"{part:05d}/{table}: {n:,}" for part, table, n in rows[:5])
        more = f" and {len(rows) - 5} more files" if len(rows) > 5 else ""
        out.append(
            (
                "rows_left_out",
                f"INCOMPLETE: {sum(n for _, _, n in rows):,} rows of partitions lack an id, a date "
                f"or a finding and are left out ({named}{more}).",
            )
        )
    return out
