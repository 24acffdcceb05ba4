"""A consistent copy of the warehouse, and back."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from failstats.errors import WarehouseError
from failstats.warehouse.manifest import keep, prepare
from failstats.warehouse.store import connect_readonly, hold, sync

__all__ = ["backup", "restore"]


def backup(warehouse: Path, copy: Path) -> Path:
    """Copy the warehouse as it was at its last finished load.

    Raises
    ------
    WarehouseError : there is no warehouse, or the copy's name is taken.
    """
    warehouse, copy = Path(warehouse), Path(copy)
    connect_readonly(warehouse).close()
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
        shutil.copyfile(warehouse, part)
        sync(part)
        os.replace(part, copy)
    finally:
        part.unlink(missing_ok=True)
    return copy


def restore(warehouse: Path, copy: Path) -> Path:
    """Put a backup in the warehouse's place, in one step.

    Raises
    ------
    WarehouseError : the copy is not a warehouse. LockedError : another process is writing.
    """
    warehouse, copy = Path(warehouse), Path(copy)
    connect_readonly(copy).close()
    following = warehouse.with_name(warehouse.name + ".next")
    with hold(warehouse):
        try:
            with connect_readonly(copy) as connection:
                prepare(connection, warehouse)
            shutil.copyfile(copy, following)
            sync(following)
            os.replace(following, warehouse)
            keep(warehouse)
        finally:
            following.unlink(missing_ok=True)
            keep(warehouse, taken=False)
    return warehouse
