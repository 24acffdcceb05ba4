"""Records go again: a wrong batch is taken out, a unit is forgotten for good."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from failstats.errors import InputError
from failstats.intake import rules
from failstats.intake.mapping import Mapping
from failstats.intake.privacy import Key
from failstats.intake.settings import same_key, withdraw_settings, write_settings
from failstats.intake.staged import canonical
from failstats.progress import Stages
from failstats.warehouse.backup import list_backups, listed_backups
from failstats.warehouse.manifest import guarded
from failstats.warehouse.schema import TABLES, Table
from failstats.warehouse.scratch import clear_left_over
from failstats.warehouse.store import must_exist, setting

__all__ = ["RemovalResult", "forget", "silence_forgotten", "unload"]

COPYING, TAKING_OUT, WRITING = "copying the warehouse", "taking the rows out", "writing it to disk"
TIMES = {COPYING: 2.0, TAKING_OUT: 1.0, WRITING: 2.0}
PLACE_FORGOTTEN = 50  # before the reasons of rules, after those of spellings
FORGOTTEN = "belongs to a unit that was forgotten"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemovalResult:
    """What was taken out of the warehouse.

    Attributes
    ----------
    rows : table -> rows removed.
    notes : what a person should know.
    """

    what: str
    rows: dict[str, int]
    notes: tuple[str, ...] = field(default=())

    def to_dict(self) -> dict[str, Any]:
        """Rows removed by table."""
        return {"removed": dict(self.rows)}

    def table(self) -> pd.DataFrame:
        """One row per table."""
        return pd.DataFrame(list(self.rows.items()), columns=["table", "rows"])

    def interval(self, confidence_level: float = 0.95) -> None:
        """There is none."""

    def chart(self) -> None:
        """There is none."""

    def __str__(self) -> str:
        parts = ", ".join(f"{count:,} {table}" for table, count in self.rows.items() if count)
        return "\n".join([f"{self.what}: {parts or 'no rows'}", *self.notes[:5]])


def unload(
    warehouse: Path, batch: int, *, progress: Callable[[str], None] | None = None
) -> RemovalResult:
    """Take a wrong batch out; what it had corrected is as it was before.

    Parameters
    ----------
    warehouse : the warehouse file.
    batch : its number, as ``load`` and ``quality`` show it.
    progress : called with each step.

    Raises
    ------
    InputError : there is no such batch.
    WarehouseError : there is no such warehouse.

    Notes
    -----
    Lines, periods and cleanings of other batches whose job or unit goes with the batch wait in
    quarantine; jobs whose unit goes make a call-out unit. Files of later batches of which rows
    were counted as duplicates may be loaded again, since the rows they repeated may be gone.
    """
    removed: dict[str, int] = {}
    notes: list[str] = []
    must_exist(Path(warehouse))
    stage = Stages(progress, TIMES)
    stage(COPYING)
    with guarded(Path(warehouse), progress=progress) as connection:
        stage(TAKING_OUT)
        known = [row[0] for row in connection.execute(
            "select distinct batch from raw.batches order by batch").fetchall()]  # fmt: skip
        if batch not in known:
            raise InputError(
                f"a batch must be in the warehouse, but {batch} is not.",
                where=f"batches: {', '.join(str(number) for number in known[-5:]) or 'none'}",
                do="name one of the batches that failstats quality lists.",
            )
        for table in TABLES.values():
            removed[table.name] = _take_out(connection, table, batch)
        connection.execute("delete from raw.quarantine where batch = $1", [batch])
        connection.execute(
            "update raw.quarantine set released_in = null where released_in = $1", [batch]
        )
        connection.execute("delete from raw.remarks where batch = $1", [batch])
        connection.execute("delete from raw.batches where batch = $1", [batch])
        notes += withdraw_settings(connection, batch)
        again = connection.execute(
            "update raw.batches set sha256 = '' where batch > $1 and duplicates > 0 returning file",
            [batch],
        ).fetchall()
        if again:
            notes.append(
                f"rows of {', '.join(sorted({row[0] for row in again})[:5])} were counted as "
                "duplicates in later batches: load them again if they repeated this batch"
            )
        notes += _settle_orphans(connection)
        write_settings(connection, Mapping())
        stage(WRITING)
    return RemovalResult(what=f"unloaded batch {batch}", rows=removed, notes=tuple(notes))


def _take_out(connection: duckdb.DuckDBPyConnection, table: Table, batch: int) -> int:
    same = " and ".join(
        f'old."{name}" is not distinct from new."{name}"' for name in rules.key_of(table)
    )
    connection.execute(
        f"update raw.{table.name} as old set superseded_in = new.superseded_in "
        f"from raw.{table.name} as new where old.superseded_in = $1 and new.batch = $1 and {same}",
        [batch],
    )
    row = connection.execute(f"delete from raw.{table.name} where batch = $1", [batch]).fetchone()
    return int(row[0]) if row else 0


def _settle_orphans(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Children without a parent wait in quarantine; jobs without a unit make one."""
    notes = []
    made = rules.call_out_units_for_orphans(connection)
    if made:
        notes.append(f"{made:,} units are known only from their jobs now (family unknown)")
    for name, key in rules.NEEDS_PARENT.items():
        table, parent = TABLES[name], TABLES[name].parents[key]
        orphan = (
            f"not exists (from raw.{parent} as parent where parent.{key} = record.{key} and "
            "parent.superseded_in is null)"
        )
        pairs = ", ".join(
            f"'{column.name}', {canonical(column, 'record')}" for column in table.columns
        )
        reason = f"{rules.WAITING}its {parent.removesuffix('s')} is not in the warehouse"
        connection.execute(
            f"insert into raw.quarantine select batch, '{name}', file, line, '{key}', "
            f"['{reason}'], json_object({pairs}), null from raw.{name} as record "
            f"where superseded_in is null and {orphan}"
        )
        moved = connection.execute(
            f"select batch, file, count(*) filter (where superseded_in is null) from raw.{name} "
            f"as record where {orphan} group by batch, file"
        ).fetchall()
        connection.execute(f"delete from raw.{name} as record where {orphan}")
        for batch, file, count in moved:
            connection.execute(
                "update raw.batches set good = good - $1, quarantined = quarantined + $1 "
                'where batch = $2 and file = $3 and "table" = $4',
                [count, batch, file, name],
            )
        total = sum(row[2] for row in moved)
        if total:
            notes.append(f"{total:,} {name} wait in quarantine for their {parent}")
    return notes


def forget(
    warehouse: Path,
    unit: str,
    *,
    key_file: Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> RemovalResult:
    """Remove a unit and everything derived from it, so that no byte of its id is left.

    Parameters
    ----------
    warehouse : the warehouse file.
    unit : its id as in the company's own records (hashed here where the warehouse has a key), or
        its pseudonym.
    key_file : the key of the warehouse, where it has one.
    progress : called with each step.

    Raises
    ------
    InputError : no such unit, or the wrong key. The id is never repeated.

    Notes
    -----
    A tombstone (a salted hash) keeps later loads from bringing the unit back: its rows go to
    quarantine without their content. The ledger's counts stay as they were. Backups are files
    of their own and have to be replaced.
    """
    removed: dict[str, int] = {}
    must_exist(Path(warehouse))
    clear_left_over()
    stage = Stages(progress, TIMES)
    stage(COPYING)
    with guarded(Path(warehouse), compact=True, progress=progress) as connection:
        stage(TAKING_OUT)
        same_key(connection, Key(Path(key_file)) if key_file else None, ids_given=True)
        ids = [unit.strip()]
        if key_file is not None:
            ids.append(Key(Path(key_file)).hash("unit_id", unit.strip()))
        jobs = connection.execute(
            "select job_id from raw.jobs where unit_id in $ids union select content->>'job_id' "
            "from raw.quarantine where \"table\" = 'jobs' and content->>'unit_id' in $ids and "
            "content->>'job_id' is not null",
            {"ids": ids},
        ).fetchall()
        job_ids = [row[0] for row in jobs]
        for table in TABLES.values():
            names = {column.name for column in table.columns}
            if "unit_id" in names:
                condition, values = "record.unit_id in $values", ids
            elif "job_id" in names:
                condition, values = "record.job_id in $values", job_ids
            else:
                continue
            connection.execute(
                f"delete from raw.remarks as remark using raw.{table.name} as record where "
                f"{condition} and remark.batch = record.batch and remark.\"table\" = '{table.name}'"
                " and remark.file = record.file and remark.line = record.line",
                {"values": values},
            )
            row = connection.execute(
                f"delete from raw.{table.name} as record where {condition}", {"values": values}
            ).fetchone()
            removed[table.name] = int(row[0]) if row else 0
        row = connection.execute(
            "delete from raw.quarantine where content->>'unit_id' in $ids or "
            "content->>'job_id' in $jobs",
            {"ids": ids, "jobs": job_ids},
        ).fetchone()
        removed["quarantine"] = int(row[0]) if row else 0
        spelled = {json.dumps(text, ensure_ascii=False)[1:-1] for text in (*ids, *job_ids)}
        for text in spelled:  # in lines that could not be split, and in wrong columns
            connection.execute(
                "update raw.quarantine set content = '{}' where contains(content::varchar, $1) "
                "and regexp_matches(content::varchar, $2)",
                [text, rf"(^|[^\w-]){re.escape(text)}([^\w-]|$)"],
            )
        for name, column in (("jobs", "continues"), ("cleanings", "job_id")):
            connection.execute(
                f"update raw.{name} set {column} = null where {column} in $jobs", {"jobs": job_ids}
            )
        if not any(removed.values()):
            raise InputError(
                "a unit must be in the warehouse to be forgotten, but this one is not.",
                where="unit",
                do="give its id as it stands in your records, and the key file if there is one.",
            )
        _bury(connection, "unit", ids)
        _bury(connection, "job", job_ids)
        write_settings(connection, Mapping())
        stage(WRITING)
    return RemovalResult(
        what="forgot one unit", rows=removed,
        notes=_backups_note(Path(warehouse)),
    )  # fmt: skip


def _backups_note(warehouse: Path) -> tuple[str, ...]:
    """Copies are files of their own; those that are known are named, and no longer listed."""
    known = [path for path in listed_backups(warehouse) if path.exists()]
    list_backups(warehouse, [])
    named = f" ({', '.join(str(path) for path in known)})" if known else ""
    return (f"backups made before still hold it{named}: make new ones and delete those",)


def _bury(connection: duckdb.DuckDBPyConnection, kind: str, ids: list[str]) -> None:
    if setting(connection, "tombstone_salt") is None:
        connection.execute(
            "insert into raw.settings values ('tombstone_salt', $1)", [secrets.token_hex(16)]
        )
    connection.execute(
        "insert into raw.tombstones select $1, sha256((select value from raw.settings where "
        "name = 'tombstone_salt') || id) from (select unnest($2::varchar[]) as id)",
        [kind, ids],
    )


def silence_forgotten(connection: duckdb.DuckDBPyConnection, table: str) -> None:
    """Rows of forgotten units go to quarantine without their content."""
    row = connection.execute("select count(*) from raw.tombstones").fetchone()
    columns = {column.name for column in TABLES[table].columns}
    if row is None or not row[0] or not columns & {"unit_id", "job_id"}:
        return
    token = "sha256((select value from raw.settings where name = 'tombstone_salt') || {})"
    own = "unit_id" if "unit_id" in columns else "job_id"
    kind = own.removesuffix("_id")
    connection.execute(
        f'insert into silent select "row" from typed_{table} where {own} is not null and '
        f"{token.format(own)} in (select token from raw.tombstones where kind = $1)",
        [kind],
    )
    if own == "job_id":  # lines of a new job of a forgotten unit
        connection.execute(
            f'insert into silent select "row" from typed_{table} where job_id in '
            "(select job_id from silent_jobs)"
        )
    if table == "jobs":
        connection.execute(
            'insert into silent_jobs select job_id from typed_jobs where "row" in '
            '(select "row" from silent) and job_id is not null'
        )
    connection.execute(
        f"insert into verdicts select distinct \"row\", {PLACE_FORGOTTEN}, '{own}', $1 "
        f'from typed_{table} where "row" in (select "row" from silent)',
        [FORGOTTEN],
    )
