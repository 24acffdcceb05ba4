"""A warehouse that an earlier failstats wrote, brought up to this one's format.

Each step leads from one format to the next. A change of the raw tables needs a step here, the next
number in `store.FORMAT`, and the tables as they were in `tests/warehouse/format_N.sql`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from failstats.progress import Stages
from failstats.warehouse.manifest import guarded
from failstats.warehouse.store import FORMAT, connect_readonly, setting

__all__ = ["STEPS", "migrate"]

WRITING = "writing it to disk"
# format -> what leads to the next one
STEPS = {
    # the first warehouses had no list of forgotten units
    "1": "create table if not exists raw.tombstones "
    "(kind varchar not null, token varchar not null)",
}


def migrate(path: Path, *, progress: Callable[[str], None] | None = None) -> list[str]:
    """Bring a warehouse up to this program's format, all or nothing.

    Parameters
    ----------
    path : the warehouse file.
    progress : called with each step.

    Returns
    -------
    The formats it passed through, such as ["1", "2"]; one alone where nothing was to do.

    Raises
    ------
    WarehouseError : no warehouse, one of a newer failstats, or one that its manifest contradicts.
    LockedError : another process is writing.
    """
    path = Path(path)
    with connect_readonly(path, older=True) as connection:
        found = str(setting(connection, "format"))
    passed = [found]
    if found == FORMAT:
        return passed
    stage = Stages(progress, {"copying the warehouse": 2.0, "the next format": 1.0, WRITING: 1.0})
    stage("copying the warehouse")
    with guarded(path, older=True, progress=progress) as connection:
        stage("the next format")
        while passed[-1] != FORMAT:
            connection.execute(STEPS[passed[-1]])
            passed.append(str(int(passed[-1]) + 1))
        connection.execute("update raw.settings set value = $1 where name = 'format'", [passed[-1]])
        stage(WRITING)
    return passed
