"""A consistent copy of the warehouse, and back."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Sequence
from pathlib import Path

import duckdb

from failstats.errors import WarehouseError
from failstats.progress import Stages
from failstats.warehouse.manifest import keep, prepare
from failstats.warehouse.store import connect_readonly, copy_file, hold, setting, sync

__all__ = ["backup", "list_backups", "listed_backups", "restore"]

LISTED = ".backups"  # beside the warehouse: where its copies were put, one path a line


def _list_path(warehouse: Path) -> Path:
    return warehouse.with_name(warehouse.name + LISTED)


def listed_backups(warehouse: Path) -> list[Path]:
    """The copies made of a warehouse, as far as its list knows."""
    path = _list_path(Path(warehouse))
    return [Path(line) for line in path.read_text("utf-8").splitlines()] if path.exists() else []


def list_backups(warehouse: Path, copies: Sequence[Path]) -> None:
    """Write the list anew."""
    path = _list_path(Path(warehouse))
    if copies:
        path.write_text("".join(f"{copy}\n" for copy in copies), encoding="utf-8")
    else:
        path.unlink(missing_ok=True)


def backup(warehouse: Path, copy: Path, *, progress: Callable[[str], None] | None = None) -> Path:
    """Copy the warehouse as it was at its last finished load.

    Raises
    ------
    WarehouseError : there is no warehouse, or the copy's name is taken.
    """
    warehouse, copy = Path(warehouse), Path(copy)
    connect_readonly(warehouse, older=True).close()
    if copy.exists():
        raise WarehouseError(
            f"a backup never overwrites a file, but {copy.name} exists.",
            where=str(copy),
            do="choose another name.",
        )
    if not copy.parent.is_dir():
        raise WarehouseError(
            f"the folder of the backup must exist, but {copy.parent} does not.",
            where=str(copy),
            do="make the folder.",
        )
    part = copy.with_name(copy.name + ".part")
    try:
        copy_file(warehouse, part, progress)
        sync(part)
        os.replace(part, copy)
    finally:
        part.unlink(missing_ok=True)
    known = [path for path in listed_backups(warehouse) if path.exists()]
    list_backups(warehouse, list(dict.fromkeys([*known, copy.resolve()])))
    return copy


def _forgotten_in(warehouse: Path, copy: Path) -> int:
    """How many units of a copy the warehouse has forgotten; 0 where it cannot be read."""
    try:
        with connect_readonly(warehouse) as connection:
            salt = setting(connection, "tombstone_salt")
            tokens = [row[0] for row in connection.execute(
                "select token from raw.tombstones where kind = 'unit'").fetchall()]  # fmt: skip
    except (WarehouseError, duckdb.Error):  # what is put back may replace a broken file
        return 0
    if salt is None or not tokens:
        return 0
    with connect_readonly(copy) as connection:
        row = connection.execute(
            "select count(*) from (select unit_id from raw.units union "
            "select unit_id from raw.jobs union select unit_id from raw.cleanings) "
            "where sha256($salt || unit_id) in $tokens",
            {"salt": salt, "tokens": tokens},
        ).fetchone()
    return int(row[0]) if row else 0


def restore(warehouse: Path, copy: Path, *, progress: Callable[[str], None] | None = None) -> Path:
    """Put a backup in the warehouse's place, in one step.

    Raises
    ------
    WarehouseError : the copy is not a warehouse, or holds a unit that was forgotten after it was
        made. LockedError : another process is writing.
    """
    warehouse, copy = Path(warehouse), Path(copy)
    if not copy.is_file():
        raise WarehouseError(
            f"the copy to put back must exist, but {copy.name} does not.",
            where=str(copy),
            do="correct the path. Nothing was changed.",
        )
    connect_readonly(copy).close()
    if back := _forgotten_in(warehouse, copy):
        raise WarehouseError(
            f"a forgotten unit must not come back, but the copy holds {back:,} forgotten since.",
            where=str(copy),
            do="restore a copy made later, or forget it in this one too: failstats forget UNIT "
            f"-w {shlex.quote(str(copy))}. Nothing was changed.",
        )
    following = warehouse.with_name(warehouse.name + ".next")
    stage = Stages(progress, {"reading the copy through": 1.0, "copying the warehouse": 1.0})
    with hold(warehouse):
        try:
            stage("reading the copy through")
            with connect_readonly(copy) as connection:
                prepare(connection, warehouse)
            stage("copying the warehouse")
            copy_file(copy, following, progress)
            sync(following)
            os.replace(following, warehouse)
            keep(warehouse)
        finally:
            following.unlink(missing_ok=True)
            keep(warehouse, taken=False)
    return warehouse
