"""What is done where a partition is: on a worker of a cluster, or in this process.

A process keeps the partitions it has opened, with the facts it has built, until the session that
asked for them is closed. A worker that dies takes nothing with it that another cannot build again
from the files: every task brings along what it needs to begin from nothing.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from failstats.counts.packing import Packed
from failstats.counts.partition_files import Files, Folder, open_files
from failstats.vocabulary import Vocabulary
from failstats.warehouse.adding import Adding, add_up
from failstats.warehouse.memory import limit_memory, memory_limit
from failstats.warehouse.session import Session, open_session

__all__ = ["Seen", "Setup", "Supplies", "add_tables", "forget", "on_partition", "select"]

Supplies = dict[str, pa.Table]
#: Facts built again under other variables: (facts, ((variable, value), …)), the innermost last.
Seen = tuple[tuple[tuple[str, ...], tuple[tuple[str, Any], ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What every partition of one session is opened with.

    Attributes
    ----------
    key : tells sessions apart in a process that serves several.
    where : the folder of partitions. options : the filters, as `open_session` takes them.
    memory : the limit of each process, None for what it has anyway.
    threads : of DuckDB for each partition.
    packs : whether what is found there travels, and so is compressed.
    """

    key: str
    where: str
    files: Files
    as_of: dt.date
    options: dict[str, Any]
    vocabulary: Vocabulary
    memory: str | None = None
    threads: int | None = None
    packs: bool = False


@dataclass(slots=True)
class _Open:
    """One partition that this process has open."""

    session: Session
    seen: Seen = ()
    otherwise: ExitStack = field(default_factory=ExitStack)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def see(self, seen: Seen) -> None:
        """Build facts under other variables, or put them back, where that is not so already."""
        if seen == self.seen:
            return
        self.otherwise.close()
        self.seen = ()
        stack = ExitStack()
        for facts, variables in seen:
            values = {name: list(v) if isinstance(v, tuple) else v for name, v in variables}
            stack.enter_context(self.session.seen_otherwise(facts, **values))
        self.otherwise, self.seen = stack, seen


_open: dict[tuple[str, int], _Open] = {}
_opening = threading.Lock()


def _opened(setup: Setup, partition: int) -> _Open:
    with _opening:
        found = _open.get((setup.key, partition))
        if found is None:
            if setup.memory is not None and memory_limit() is None:
                limit_memory(setup.memory)  # a worker has not seen the command's options
            connection = open_files(
                Folder(setup.where), setup.files, partition, threads=setup.threads
            )
            session = open_session(
                Path(setup.where),
                as_of=setup.as_of,
                vocabulary=setup.vocabulary,
                connection=connection,
                **setup.options,
            )
            found = _open[setup.key, partition] = _Open(session=session)
    return found


def on_partition(
    setup: Setup,
    partition: int,
    supplies: Mapping[str, pa.Table | Packed],
    seen: Seen,
    function: Callable[..., Any],
    arguments: Sequence[Any] | Packed,
) -> Any:
    """Call function(session, *arguments) with the session of one partition.

    Parameters
    ----------
    supplies : facts counted over all units, which the partition takes instead of its own.
    seen : facts to be built under other variables meanwhile.
    """
    found = _opened(setup, partition)
    with found.lock:
        for name, rows in supplies.items():
            found.session.supply(name, rows.open() if isinstance(rows, Packed) else rows)
        found.see(seen)
        given = arguments.open() if isinstance(arguments, Packed) else arguments
        value = function(found.session, *given)
    return Packed.of(value) if setup.packs else value


def select(session: Session, name: str, given: dict[str, Any]) -> pa.Table:
    """The rows of one query in one partition; of a fact, as the partition alone has it."""
    return session.arrow(name, anew=True, **given)


def add_tables(adding: Adding, one: pa.Table, other: pa.Table) -> pa.Table:
    """What a query returns over two separate sets of units, as of `add_up`."""
    with duckdb.connect(config={"threads": 1}) as connection:
        return add_up([one, other], adding, connection).to_arrow_table().cast(one.schema)


def forget(key: str) -> None:
    """Close the partitions of a session that has ended."""
    with _opening:
        for known in [known for known in _open if known[0] == key]:
            _open.pop(known).session.close()
