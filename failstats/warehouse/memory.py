"""How much memory the warehouse may take, and where it puts what does not fit.

The limit is one for the process: `--memory`, else FAILSTATS_MEMORY, else `memory` in
failstats.toml, else what DuckDB takes by itself (four fifths of the machine). Two fifths are for
the tables and sorts of DuckDB (a quarter while records come in), each connection for itself; the
rest is left to the interpreter, to rows on their way in and to the arrays of the estimators.
"""

from __future__ import annotations

import atexit
import os
import re
import shutil
import tempfile
from collections.abc import Callable
from typing import TypeVar

import duckdb

from failstats.errors import InputError, WarehouseError

__all__ = ["checked_size", "limit_memory", "memory_config", "memory_limit", "within_memory"]

Found = TypeVar("Found")

SIZE = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(MB|GB|TB|MiB|GiB|TiB)\s*", re.IGNORECASE)
BYTES = {"mb": 10**6, "gb": 10**9, "tb": 10**12, "mib": 2**20, "gib": 2**30, "tib": 2**40}
LEAST = 64 * 10**6  # below it DuckDB cannot hold the blocks of one sort per thread
#: A choice: from 10^7 part lines on DuckDB fills what it is given, and the rest comes on top
#: (tests/bench/README.md, "How cost grows").
DATABASE_SHARE = 0.4
#: The most that it takes, for one query that cannot be answered within less.
MOST_SHARE = 0.55
#: The same while records come in: the rows of a year's file stand beside it in memory.
INTAKE_SHARE = 0.25

_given: str | None = None
_spill: str | None = None


def checked_size(size: str, option: str) -> str:
    """A size as DuckDB reads it.

    Raises
    ------
    InputError : no number with MB, GB or TB, or less than 64 MB.

    >>> checked_size("4 gb", "--memory")
    '4GB'
    """
    found = SIZE.fullmatch(size)
    if found is None or float(found[1]) * BYTES[found[2].lower()] < LEAST:
        raise InputError(
            f"{option} must be a size of at least 64MB, such as 4GB or 500MB, but is {size!r}.",
            where=option,
            do="write a number and MB, GB or TB.",
        )
    unit = found[2].upper().replace("IB", "iB")
    return f"{found[1]}{unit}"


def limit_memory(size: str | None, option: str = "--memory") -> None:
    """Set the limit for connections opened from now on; None takes it back."""
    global _given
    _given = None if size is None else checked_size(size, option)


def memory_limit() -> str | None:
    """The limit in force; None where nothing was said."""
    if _given is not None:
        return _given
    stated = os.environ.get("FAILSTATS_MEMORY")
    return checked_size(stated, "FAILSTATS_MEMORY") if stated else None


def _spill_folder() -> str:
    """A folder that only this user can read, gone when the process ends."""
    global _spill
    if _spill is None or not os.path.isdir(_spill):
        _spill = tempfile.mkdtemp(prefix="failstats-")  # mode 0700
        atexit.register(shutil.rmtree, _spill, ignore_errors=True)
    return _spill


def memory_config(*, beside: bool = False) -> dict[str, str]:
    """Settings of a new connection.

    Parameters
    ----------
    beside : spill beside the file, as DuckDB does by itself: where the warehouse is written anew,
        free space was checked there and the folder is removed with the rest.
    """
    found = {} if beside else {"temp_directory": _spill_folder()}
    limit = memory_limit()
    if limit is not None:
        found["memory_limit"] = _share(INTAKE_SHARE if beside else DATABASE_SHARE, limit)
    return found


def _share(share: float, limit: str) -> str:
    """What DuckDB may take of a limit, as it reads it, and never too little to sort."""
    found = SIZE.fullmatch(limit)
    assert found is not None
    allowed = share * float(found[1]) * BYTES[found[2].lower()]
    return f"{max(allowed, LEAST) / 10**6:.6f}MB"


def within_memory(connection: duckdb.DuckDBPyConnection, run: Callable[[], Found]) -> Found:
    """What a query returns; where the database's share of memory does not do, with a part of the
    rest, which the estimators do not need meanwhile.

    Raises
    ------
    WarehouseError : that does not do either, or the disk is full.
    """
    try:
        return run()
    except duckdb.OutOfMemoryException as fault:
        limit = memory_limit()
        if limit is None:
            raise _too_little(fault) from None
    except duckdb.IOException as fault:
        raise _disk_full(fault) from None
    connection.execute("set memory_limit = $size", {"size": _share(MOST_SHARE, limit)})
    try:
        return run()
    except duckdb.OutOfMemoryException as fault:
        raise _too_little(fault) from None
    except duckdb.IOException as fault:
        raise _disk_full(fault) from None
    finally:
        connection.execute("set memory_limit = $size", {"size": _share(DATABASE_SHARE, limit)})


def _too_little(fault: duckdb.Error) -> WarehouseError:
    return WarehouseError(
        "the memory must do for every step of the question, but does not "
        f"({str(fault).splitlines()[0]}).",
        where="--memory",
        do="give more memory, or ask for less: one part, one family, a later --from.",
    )


def _disk_full(fault: duckdb.Error) -> Exception:
    """Of faults of files, that nothing more can be written has an answer."""
    if "Could not write" not in str(fault):
        return fault
    return WarehouseError(
        "what does not fit in memory must fit on the disk, but it cannot be written "
        f"({str(fault).splitlines()[0]}).",
        where=_spill_folder(),
        do="free some space, name another folder in TMPDIR, or give more memory.",
    )
