"""The warehouse file: opened for reading, or rebuilt beside itself and swapped in.

There is one mechanism for writing. The next state is built in ``PATH.next`` beside the warehouse,
checkpointed, synced to disk and moved over the old file in one step. Whoever reads meanwhile
reads the old state; whoever is killed leaves the old state.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb

from failstats.errors import LockedError, WarehouseError
from failstats.progress import each
from failstats.warehouse.memory import memory_config
from failstats.warehouse.schema import CREATE

__all__ = [
    "FORMAT",
    "connect_readonly",
    "connection_config",
    "copy_file",
    "hold",
    "must_exist",
    "rebuild",
    "setting",
    "sync",
]

FORMAT = "2"  # of the warehouse file; a change of raw tables needs a step in migrations.py
SPACE_FACTOR = 3  # free space asked for, in sizes of the present file
LEAST_SPACE = 64 * 2**20  # and never less than this many bytes
CHUNK = 16 * 2**20  # bytes copied at once


def connection_config(*, beside: bool = False) -> dict[str, str | bool | int | float | list[str]]:
    """Settings of every connection: nothing is fetched, and memory is what was allowed."""
    return {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        **memory_config(beside=beside),
    }


def connect_readonly(path: Path, *, older: bool = False) -> duckdb.DuckDBPyConnection:
    """Open a warehouse to ask questions of it.

    Parameters
    ----------
    path : the warehouse file.
    older : open one that an earlier failstats wrote too, to copy it or to bring it up to date.

    Raises
    ------
    WarehouseError : there is no such file, or it is not a warehouse of this format.
    """
    path = Path(path)
    must_exist(path)
    try:
        connection = duckdb.connect(str(path), read_only=True, config=connection_config())
        _check_format(connection, path, older)
    except duckdb.Error as fault:
        raise WarehouseError(
            "a warehouse must be a DuckDB file written by failstats, but this one cannot be read "
            f"({str(fault).splitlines()[0]}).",
            where=str(path),
            do="name the right file with -w, or restore a backup.",
        ) from None
    return connection


def must_exist(path: Path) -> None:
    """Refuse a warehouse that is not there.

    Raises
    ------
    WarehouseError : there is no such file.
    """
    if path.is_dir():
        raise WarehouseError(
            f"a warehouse file is needed here, but {path.name} is a folder.",
            where=str(path),
            do="name the file; of partitions, the warehouse from which they were written (a folder "
            "of partitions holds partitions.json).",
        )
    if not path.is_file():
        raise WarehouseError(
            f"a warehouse must exist before it can be asked, but {path.name} does not.",
            where=str(path),
            do="load records first: failstats load FOLDER -w PATH, or try failstats demo.",
        )


def _check_format(connection: duckdb.DuckDBPyConnection, path: Path, older: bool) -> None:
    known = connection.execute(
        "select count(*) from information_schema.tables "
        "where table_schema = 'raw' and table_name = 'settings'"
    ).fetchall()
    found = setting(connection, "format") if known[0][0] else None
    if found == FORMAT:
        return
    earlier = found is not None and found.isdigit() and 0 < int(found) < int(FORMAT)
    if earlier and older:
        return
    connection.close()
    if earlier:
        raise WarehouseError(
            f"a warehouse of format {FORMAT} is needed, but this file is of format {found}: an "
            "earlier failstats wrote it.",
            where=str(path),
            do=f"bring it up to date: failstats migrate -w {path}",
        )
    if found is not None and found.isdigit():
        raise WarehouseError(
            f"a warehouse of format {FORMAT} or earlier is needed, but this file is of format "
            f"{found}: a newer failstats wrote it.",
            where=str(path),
            do="install that failstats or a later one; nothing was changed.",
        )
    raise WarehouseError(
        f"a warehouse of format {FORMAT} is needed, but this file has "
        f"{'format ' + found if found else 'no failstats tables'}.",
        where=str(path),
        do="name the right file with -w, or load the records again with this version.",
    )


def setting(connection: duckdb.DuckDBPyConnection, name: str) -> str | None:
    """One of the warehouse's own settings (``records_to``, ``currency``, …), or None."""
    sql = "select value from raw.settings where name = $name"
    found = connection.execute(sql, {"name": name}).fetchall()
    return str(found[0][0]) if found else None


@contextlib.contextmanager
def hold(path: Path) -> Iterator[None]:
    """Hold PATH.lock; a lock whose owner on this machine is gone is taken over."""
    lock = path.with_name(path.name + ".lock")
    note = {"pid": os.getpid(), "host": socket.gethostname()}
    for _ in range(2):
        try:
            handle = os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            break
        except FileExistsError:
            holder = _holder(lock)
            if holder is not None:
                raise LockedError(
                    f"one process at a time may write, but process {holder['pid']} on "
                    f"{holder['host']} is writing.",
                    where=str(path),
                    do=f"wait until it is done; if it is not running any more, delete {lock.name}.",
                ) from None
            lock.unlink(missing_ok=True)
    else:
        raise LockedError(
            "one process at a time may write, but the lock could not be taken.",
            where=str(lock),
            do="try again.",
        )
    try:
        os.write(handle, json.dumps(note).encode())
        os.close(handle)
        yield
    finally:
        lock.unlink(missing_ok=True)


def _holder(lock: Path) -> dict[str, object] | None:
    """Who holds a lock file; None when that process is known to be gone."""
    try:
        note = json.loads(lock.read_text())
    except FileNotFoundError:
        return None
    except (ValueError, OSError):
        return {"pid": "unknown", "host": "unknown"}
    if note.get("host") != socket.gethostname():
        return dict(note)
    try:
        os.kill(int(note["pid"]), 0)
    except ProcessLookupError:
        return None
    except (OSError, ValueError, KeyError):
        return dict(note)
    return dict(note)


def _check_space(path: Path) -> None:
    size = path.stat().st_size if path.exists() else 0
    needed = max(SPACE_FACTOR * size, LEAST_SPACE)
    free = shutil.disk_usage(path.parent).free
    if free < needed:
        raise WarehouseError(
            f"a load needs {needed / 2**20:,.0f} MB of free disk, but {free / 2**20:,.0f} MB are "
            "free.",
            where=str(path.parent),
            do="free some space, or keep the warehouse on another disk. Nothing was changed.",
        )


def copy_file(source: Path, target: Path, progress: Callable[[str], None] | None = None) -> None:
    """Copy a file, telling ``progress`` as it goes on."""
    pieces = range(-(-source.stat().st_size // CHUNK))
    with open(source, "rb") as old, open(target, "wb") as new:
        for _ in each(progress, pieces, lambda _: "copying the warehouse"):
            new.write(old.read(CHUNK))


def sync(path: Path) -> None:
    """Have the disk hold what was written."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def rebuild(
    path: Path,
    *,
    compact: bool = False,
    older: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """The next state of the warehouse, all or nothing.

    The block gets a connection to a copy (a new, empty warehouse where there is none). When it
    ends well, the copy takes the warehouse's place in one step; when it raises, or the process
    dies, the warehouse is as it was.

    Parameters
    ----------
    path : the warehouse file.
    compact : write the copy anew after the block, so that deleted rows leave no bytes behind.
    older : take one that an earlier failstats wrote, to be brought up to date in the block.
    progress : called as the present state is copied.

    Raises
    ------
    LockedError : another process is writing.
    WarehouseError : no room, no such folder, or not a warehouse.
    """
    path = Path(path)
    if not path.parent.is_dir():
        raise WarehouseError(
            f"the folder of the warehouse must exist, but {path.parent} does not.",
            where=str(path),
            do="make the folder, or name another place with -w.",
        )
    following = path.with_name(path.name + ".next")
    with hold(path):
        _check_space(path)
        _discard(following)
        try:
            new = not path.exists()
            if not new:
                connect_readonly(path, older=older).close()  # refuses what is not a warehouse
                copy_file(path, following, progress)
            connection = duckdb.connect(str(following), config=connection_config(beside=True))
            try:
                if new:
                    connection.execute(CREATE)
                    connection.execute("insert into raw.settings values ('format', $1)", [FORMAT])
                yield connection
                connection.execute("checkpoint")
            finally:
                connection.close()
            if compact:
                _compact(following)
            sync(following)
            os.replace(following, path)
            if os.name == "posix":
                sync(path.parent)
        finally:
            _discard(following)


def _compact(path: Path) -> None:
    """Copy every table into a fresh file, so that no deleted text stays in the old pages."""
    fresh = path.with_name(path.name + ".fresh")
    _discard(fresh)
    connection = duckdb.connect(config=connection_config())
    try:
        connection.execute(f"attach {_literal(path)} as old (read_only)")
        connection.execute(f"attach {_literal(fresh)} as fresh")
        connection.execute("copy from database old to fresh")
        connection.execute("checkpoint fresh")
    finally:
        connection.close()
    os.replace(fresh, path)
    _discard(fresh)


def _literal(path: Path) -> str:
    """A path as an SQL string literal (attach takes no parameters)."""
    return "'" + str(path).replace("'", "''") + "'"


def _discard(path: Path) -> None:
    for name in (path, path.with_name(path.name + ".wal")):
        name.unlink(missing_ok=True)
    shutil.rmtree(path.with_name(path.name + ".tmp"), ignore_errors=True)  # what was spilled
