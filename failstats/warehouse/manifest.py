"""What a warehouse held when it was last written, in a small file beside it.

``company.duckdb.manifest`` (JSON) holds the batches, and per table and batch the number of rows and
the sum of their hashes: nothing that can be read back. A file that was cut short, changed by hand
or whose last writes are gone no longer agrees with it.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb

from failstats.errors import WarehouseError
from failstats.warehouse.schema import TABLES, stored_columns
from failstats.warehouse.store import connect_readonly, rebuild

__all__ = [
    "check_manifest", "guarded", "keep", "manifest_path", "prepare", "require", "write_manifest",
]  # fmt: skip

MANIFEST = ".manifest"
NEXT = ".manifest.next"  # of a state that is about to take the warehouse's place
SMALL = {  # tables that are summed up whole, with what tells their rows
    "batches": '"table", file, sha256, rows_in, good, quarantined, duplicates, corrected',
    "quarantine": '"table", file, line, reasons, content, released_in',
    "remarks": '"table", file, line, "check", statement',
    "tombstones": "kind, token",
    "settings": "name, value",
}

Sums = dict[str, dict[str, list[str]]]  # table -> batch -> [rows, sum of hashes]


def manifest_path(warehouse: Path) -> Path:
    """The file beside a warehouse that says what it holds."""
    warehouse = Path(warehouse)
    return warehouse.with_name(warehouse.name + MANIFEST)


def _next_path(warehouse: Path) -> Path:
    return warehouse.with_name(warehouse.name + NEXT)


def write_manifest(path: Path) -> Path:
    """Write down what a warehouse holds, as it stands.

    Parameters
    ----------
    path : the warehouse file.

    Returns
    -------
    The manifest's path.
    """
    path = Path(path)
    with connect_readonly(path) as connection:
        _write(manifest_path(path), _sums(connection))
    return manifest_path(path)


def check_manifest(path: Path) -> list[str]:
    """Is a warehouse what it was when failstats last wrote it?

    Parameters
    ----------
    path : the warehouse file.

    Returns
    -------
    One sentence per difference; none where all agrees. A missing manifest is a difference.

    Notes
    -----
    All rows are read once. Hashes are compared only within one version of DuckDB, rows always.
    """
    path = Path(path)
    if not _states(path):
        return [f"there is no {manifest_path(path).name} beside the warehouse to compare it with"]
    try:
        with connect_readonly(path) as connection:
            return _differences(path, connection)
    except (duckdb.Error, WarehouseError) as fault:
        return [f"{path.name} cannot be read: {str(fault).splitlines()[0]}"]


def require(connection: duckdb.DuckDBPyConnection, warehouse: Path) -> None:
    """Refuse to write on a warehouse that is not what its manifest says.

    Parameters
    ----------
    connection : to the warehouse or a copy of it.
    warehouse : its path.

    Raises
    ------
    WarehouseError : naming what differs. A warehouse without a manifest is let through.

    Notes
    -----
    To be called by the one who holds the warehouse's lock.
    """
    warehouse = Path(warehouse)
    states = _states(warehouse) if warehouse.exists() else []
    if not states:
        return
    try:
        now = _sums(connection)
        told = [_compared(state, now) for state in states]
        found = min(told, key=len)
        if not told[-1] and _next_path(warehouse).exists():
            keep(warehouse)  # a load that was killed when it was all but done
    except duckdb.Error as fault:
        found = [f"it cannot be read ({str(fault).splitlines()[0]})"]
    if found:
        raise WarehouseError(
            f"a warehouse must be as failstats left it, but {'; '.join(found[:3])}.",
            where=str(warehouse),
            do=f"restore a backup; or, if the change was meant, delete "
            f"{manifest_path(warehouse).name} and load again. Nothing was changed.",
        )


def prepare(connection: duckdb.DuckDBPyConnection, warehouse: Path, *,
            only: int | None = None) -> None:  # fmt: skip
    """Write down the state that is about to take the warehouse's place.

    Parameters
    ----------
    connection : to that state.
    warehouse : the path it will have.
    only : the batch that was added, where no row of another one has come or gone.
    """
    warehouse = Path(warehouse)
    known = _states(warehouse)[:1] if only is not None and warehouse.exists() else []
    _write(_next_path(warehouse), _sums(connection, only, known[0] if known else None))


@contextlib.contextmanager
def guarded(
    path: Path,
    *,
    compact: bool = False,
    older: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """The next state of a warehouse that agrees with its manifest; the manifest follows it."""
    path = Path(path)
    done = False
    try:
        with rebuild(path, compact=compact, older=older, progress=progress) as connection:
            require(connection, path)
            yield connection
            prepare(connection, path)
        keep(path)
        done = True
    finally:
        if not done:
            keep(path, taken=False)


def keep(warehouse: Path, *, taken: bool = True) -> None:
    """Make the prepared manifest the warehouse's own, or drop it."""
    warehouse = Path(warehouse)
    if not taken:
        _next_path(warehouse).unlink(missing_ok=True)
    elif _next_path(warehouse).exists():
        os.replace(_next_path(warehouse), manifest_path(warehouse))


def _write(path: Path, sums: Sums) -> None:
    """Completely or not at all."""
    text = json.dumps({"failstats": 1, "duckdb": duckdb.__version__, "tables": sums}, indent=1)
    beside = path.with_name(path.name + ".part")
    beside.write_text(text, encoding="utf-8")
    os.replace(beside, path)


def _states(warehouse: Path) -> list[dict[str, Any]]:
    """What the warehouse may hold: its manifest, and that of a load that was killed at the end."""
    states = []
    for path in (manifest_path(warehouse), _next_path(warehouse)):
        if not path.exists():
            continue
        try:
            state = json.loads(path.read_text("utf-8"))
            assert {"duckdb", "tables"} <= set(state)
        except (ValueError, AssertionError, TypeError):
            state = {"duckdb": "", "tables": {"batches": {"": ["no", "damaged manifest"]}}}
        states.append(state)
    return states


def _sums(connection: duckdb.DuckDBPyConnection, only: int | None = None,
          known: dict[str, Any] | None = None) -> Sums:  # fmt: skip
    """Rows and hashes of every table; of one batch, with those of a known state for the rest."""
    known = known if known is not None and known["duckdb"] == duckdb.__version__ else None
    where = f"where batch = {int(only)}" if only is not None and known is not None else ""
    parts = []
    for table in TABLES.values():
        names = [f'"{name}"' for column in table.columns for name, _ in stored_columns(column)]
        told = ", ".join([*names, "batch", "file", "line"])
        parts.append(
            f"select '{table.name}' as name, batch::varchar as part, count(*) as rows, "
            f"sum(hash({told})::hugeint) as hashes from raw.{table.name} {where} group by batch"
        )
        parts.append(
            f"select '{table.name}', 'superseded', count(superseded_in), "
            f"coalesce(sum(superseded_in), 0)::hugeint from raw.{table.name}"
        )
    there = connection.execute(
        "select table_name from information_schema.tables where table_schema = 'raw'"
    ).fetchall()
    parts += [
        f"select '{name}', 'all', count(*), coalesce(sum(hash({told})::hugeint), 0) from raw.{name}"
        for name, told in SMALL.items()
        if (name,) in there  # the first warehouses had fewer
    ]
    found: Sums = {}
    if where and known is not None:
        found = {name: dict(batches) for name, batches in known["tables"].items()}
    for name, part, rows, hashes in connection.execute(" union all ".join(parts)).fetchall():
        found.setdefault(name, {})[part] = [str(rows), str(hashes)]
    return found


def _differences(warehouse: Path, connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Against the state it is nearest to."""
    now = _sums(connection)
    told = [_compared(state, now) for state in _states(warehouse)]
    return min(told, key=len)


def _compared(state: dict[str, Any], now: Sums) -> list[str]:
    same_hash = state["duckdb"] == duckdb.__version__
    found = []
    for name in sorted({*state["tables"], *now}):
        before, after = state["tables"].get(name, {}), now.get(name, {})
        for part in sorted({*before, *after}):
            old, new = before.get(part, ["0", "0"]), after.get(part, ["0", "0"])
            of = f" of batch {part}" if part.isdigit() else ""
            if part == "superseded":
                of = " that are superseded"
            if old[0] != new[0]:
                found.append(f"{name} has {new[0]} rows{of} and not {old[0]}")
            elif same_hash and old[1] != new[1]:
                found.append(f"rows of {name}{of} were changed")
    return found
