"""One load: every row of the sources is kept, quarantined or a duplicate, all or nothing."""

from __future__ import annotations

import datetime as dt
import errno
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any

import duckdb

from failstats import __version__
from failstats.errors import InputError, WarehouseError
from failstats.intake import requeue as requeued
from failstats.intake import rules
from failstats.intake.mapping import Mapping, read_mapping
from failstats.intake.postgres import is_server
from failstats.intake.privacy import Key
from failstats.intake.remarks import remark
from failstats.intake.remove import silence_forgotten
from failstats.intake.result import LEDGER_KEYS, LoadResult
from failstats.intake.settings import same_currency, same_key, write_settings
from failstats.intake.sources import find_sources, nothing_to_load
from failstats.intake.staged import (
    ROW_SPAN,
    Source,
    create_work_tables,
    forget_source,
    note_verdicts,
    show_source,
    show_typed,
)
from failstats.intake.typed import type_rows
from failstats.progress import Stages, each
from failstats.vocabulary import Vocabulary, load_vocabulary
from failstats.warehouse import manifest
from failstats.warehouse import store as warehouse_store
from failstats.warehouse.scratch import private_folder

__all__ = ["load"]

LOOKING, COPYING = "looking at the files", "copying the warehouse"
TAKING_IN, WRITING = "taking the records in", "writing the warehouse"
TIMES = {LOOKING: 1.0, COPYING: 0.5, TAKING_IN: 3.0, WRITING: 0.5}


class _Unchanged(Exception):
    """Ends the rebuild without taking it."""


def load(
    warehouse: Path,
    sources: Sequence[Path | str],
    *,
    mapping: Path | None = None,
    key_file: Path | None = None,
    check: bool = False,
    requeue: Path | None = None,
    vocabulary: Vocabulary | None = None,
    progress: Callable[[str], None] | None = None,
) -> LoadResult:
    """Take a company's records into the warehouse, and say what became of every row.

    Parameters
    ----------
    warehouse : the warehouse file; made if there is none.
    sources : files, or folders of files named after the tables; a server's address
        (``postgresql://…``) as text.
    mapping : a TOML file that says how these files differ from the contract.
    key_file : replaces unit, job, building and technician ids by a keyed hash.
    check : only say what would happen.
    requeue : corrected rows out of quarantine.
    vocabulary : the known words; the shipped ones if None.
    progress : called with one line of text per step.

    Returns
    -------
    LoadResult : counts per file; ``quarantined`` is the number of unusable rows.

    Raises
    ------
    InputError : a file as a whole cannot be read or understood; nothing was changed.
    LockedError : another process is loading.
    """
    stage = Stages(progress, TIMES)
    words = vocabulary or load_vocabulary()
    key = Key(Path(key_file)) if key_file is not None else None
    plan = read_mapping(None if mapping is None else Path(mapping), words)
    outcome: LoadResult | None = None
    prepared = False
    with private_folder() as folder:
        found: list[Source] = []
        notes: list[str] = []
        sizes: dict[str, int] = {}
        if sources or requeue is None:
            given = [sources] if isinstance(sources, str | Path) else sources
            paths = [path if is_server(path) else Path(path) for path in given]
            stage(LOOKING)
            found, notes = find_sources(paths, plan, key, folder)
            sizes = _sizes(path for path in paths if isinstance(path, Path))
        try:
            stage(COPYING)
            with warehouse_store.rebuild(Path(warehouse), progress=progress) as connection:
                stage(TAKING_IN)
                manifest.require(connection, Path(warehouse))
                # with a key nothing unhashed may reach a disk, so nothing is spilled
                spill = "" if key is not None else str(folder).replace("'", "''")
                connection.execute(f"set temp_directory = '{spill}'")
                job = _Load(connection, plan, key, words, progress, notes, sizes)
                if requeue is not None:
                    again, said = requeued.requeued_sources(connection, Path(requeue), key, folder)
                    found += again
                    job.notes += said
                outcome = job.run(found, check)
                if check or not outcome.batches:
                    raise _Unchanged
                stage(WRITING)
                manifest.prepare(connection, Path(warehouse), only=outcome.batches[0]["batch"])
                prepared = True
            manifest.keep(Path(warehouse))
            prepared = False
        except _Unchanged:
            pass
        except (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.FatalException) as fault:
            raise _not_written(Path(warehouse), str(fault)) from None
        except OSError as fault:
            if fault.errno != errno.ENOSPC:
                raise
            raise _not_written(Path(warehouse), str(fault.strerror)) from None
        finally:
            if prepared:
                manifest.keep(Path(warehouse), taken=False)
    assert outcome is not None
    return outcome


def _sizes(paths: Iterable[Path]) -> dict[str, int]:
    """File name -> bytes, of files and of those in folders."""
    files = [f for path in paths for f in (path.iterdir() if path.is_dir() else (path,))]
    return {path.name: path.stat().st_size for path in files if path.is_file()}


def _not_written(warehouse: Path, fault: str) -> WarehouseError:
    return WarehouseError(
        f"the warehouse must be writable, but it is not ({fault.splitlines()[0]}).",
        where=str(warehouse),
        do="free some space on its disk, or give it more memory. Nothing was changed.",
    )


class _Load:
    """The steps of one load on the warehouse's next state."""

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        plan: Mapping,
        key: Key | None,
        words: Vocabulary,
        progress: Callable[[str], None] | None,
        notes: list[str],
        sizes: dict[str, int],
    ) -> None:
        self.connection = connection
        self.plan = plan
        self.key = key
        self.words = words
        self.progress = progress
        self.say = progress or (lambda text: None)
        self.sizes = sizes
        self.notes = list(notes)
        self.today = dt.date.today()
        self.read_so_far = 0
        self.ahead: dict[int, Future[None]] = {}
        self.next: Callable[[], None] = lambda: None
        self.one_types = Lock()  # spellings are read in one thread at a time
        self.held: set[str] = set()

    def run(self, found: list[Source], check: bool) -> LoadResult:
        """All steps; nothing is written to the ledger where there is nothing new."""
        connection = self.connection
        fresh = _not_yet_loaded(connection, found, self.notes, mapped=bool(self.plan.tables))
        if not fresh:
            return LoadResult(batches=[], notes=tuple(self.notes), checked_only=check)
        same_key(connection, self.key)
        same_currency(connection, self.plan)
        batch = _next_batch(connection)
        # in a notebook DuckDB refuses to set what is off already, unless widgets are installed
        if connection.execute("select current_setting('enable_progress_bar')").fetchone() == (
            True,
        ):
            connection.execute("set enable_progress_bar = false")
        create_work_tables(connection)
        ledger: list[dict[str, Any]] = []
        held = connection.execute(
            'select distinct "table" from raw.quarantine where released_in is null'
        ).fetchall()
        self.held = {row[0] for row in held}
        by_table = {table: [s for s in fresh if s.table == table] for table in rules.ORDER}
        queue = [source for sources in by_table.values() for source in sources]
        for source in queue:
            self._number(source)
        with ThreadPoolExecutor(1) as pool:  # reads the next source while one is stored
            self.next = partial(self._start, pool, iter(queue))
            self.next()
            waiting = [(t, s) for t, s in by_table.items() if s or t in self.held]
            for table, sources in each(
                self.progress,
                waiting,
                lambda item: f"reading {item[0]}",
                weigh=lambda item: self._weight(item[1]),
            ):
                ledger += self._take(table, sources, batch)
        if not ledger:
            raise nothing_to_load([source.file for source in fresh], self.notes)
        requeued.release(connection, batch)
        remark(connection, batch)
        self.notes.extend(write_settings(connection, self.plan, batch=batch))
        reasons = connection.execute(
            'select reason, count(distinct "row") from verdicts group by reason'
        ).fetchall()
        return LoadResult(
            batches=ledger, notes=tuple(self.notes), reasons=dict(reasons), checked_only=check
        )

    def _take(self, table: str, fresh: list[Source], batch: int) -> list[dict[str, Any]]:
        """One table from reading to ledger; its working tables are gone afterwards."""
        connection = self.connection
        waiting = None
        if table in self.held:
            waiting = requeued.waiting_source(connection, table, self.key)
        sources = [s for s in (*fresh, *([waiting] if waiting else [])) if self._read(s)]
        if not sources:
            return []
        self.say(f"checking {table}")
        show_typed(connection, table, sources)
        silence_forgotten(connection, table)
        rules.settle(connection, table, sources)
        if table == "jobs":
            rules.create_call_out_units(connection, batch)
        good = rules.store(connection, table, batch, sources)
        rules.retire(connection, table, batch)
        ledger = _write_ledger(connection, batch, sources)
        _conserved(ledger, good)
        for source in sources:
            forget_source(connection, source)
            source.let_go(connection)
        return ledger

    def _weight(self, sources: list[Source]) -> float:
        """Bytes of the files of one table; a file of several tables counts for each."""
        known = [self.sizes.get(source.file.split("[")[0], 0) for source in sources]
        return float(sum(known)) + 1.0

    def _number(self, source: Source) -> None:
        self.read_so_far += 1
        source.number = self.read_so_far

    def _start(self, pool: Executor, queue: Iterator[Source]) -> None:
        source = next(queue, None)
        if source is not None:
            self.ahead[source.number] = pool.submit(self._read_ahead, source)

    def _read_ahead(self, source: Source) -> None:
        """Text to typed rows without the connection, where the source can be read so."""
        if source.read_ahead() and source.texts is not None and source.texts.num_rows:
            self._type(source)

    def _type(self, source: Source) -> None:
        with self.one_types:
            type_rows(source, self.words, self.today)

    def _read(self, source: Source) -> bool:
        """Text to typed rows; whether there are any."""
        self.say(f"reading {source.file}")
        if source.number:
            self.ahead.pop(source.number).result()
            self.next()
        else:
            self._number(source)
        if not source.read(self.connection):
            self.notes.append(f"{source.file}: no records")
            return False
        if source.typed is None:
            self._type(source)
        note_verdicts(self.connection, source)
        show_source(self.connection, source)
        self.notes.extend(source.notes)
        return True


def _next_batch(connection: duckdb.DuckDBPyConnection) -> int:
    row = connection.execute("select coalesce(max(batch), 0) + 1 from raw.batches").fetchone()
    assert row is not None
    return int(row[0])


def _not_yet_loaded(connection: duckdb.DuckDBPyConnection, found: list[Source],
                    notes: list[str], *, mapped: bool) -> list[Source]:  # fmt: skip
    fresh = []
    for source in found:
        known = connection.execute(
            "select max(batch) from raw.batches where sha256 = $1 and sha256 <> '' "
            'and "table" = $2',
            [source.sha256, source.table],
        ).fetchone()
        if known and known[0] is not None:
            again = f"; to read it by this mapping, failstats unload {known[0]} first" * mapped
            notes.append(
                f"{source.file}: already loaded as batch {known[0]}, nothing changed{again}"
            )
        else:
            fresh.append(source)
    notes[:] = list(dict.fromkeys(notes))  # one file may hold several tables
    return fresh


def _write_ledger(
    connection: duckdb.DuckDBPyConnection, batch: int, sources: list[Source]
) -> list[dict[str, Any]]:
    ledger = []
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None, microsecond=0)
    for source in sources:
        assert source.texts is not None
        low = source.number * ROW_SPAN
        counts = connection.execute(
            'select (select count(distinct "row") from verdicts where "row" >= $1 and "row" < $2), '
            '(select count(distinct "row") from duplicates where "row" >= $1 and "row" < $2), '
            '(select count(distinct "row") from corrections where "row" >= $1 and "row" < $2)',
            [low, low + ROW_SPAN],
        ).fetchone()
        assert counts is not None
        rows_in = int(source.texts.num_rows)
        quarantined, duplicates, corrected = (int(count) for count in counts)
        good = rows_in - quarantined - duplicates
        values = (batch, source.table, source.file, rows_in, good, quarantined, duplicates,
                  corrected, now.isoformat())  # fmt: skip
        connection.execute(
            "insert into raw.batches values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
            [batch, source.table, source.file, source.sha256, rows_in, good, quarantined,
             duplicates, corrected, now, __version__],
        )  # fmt: skip
        ledger.append(dict(zip(LEDGER_KEYS, values, strict=True)))
    return ledger


def _conserved(ledger: list[dict[str, Any]], stored: int) -> None:
    """Every row counted as good is one that was stored; a lost row must never pass."""
    good = sum(int(row["good"]) for row in ledger)
    if stored != good:
        raise InputError(
            f"every row must be kept, quarantined or a duplicate, but of {ledger[0]['table']} "
            f"{good} rows should be kept and {stored} are.",
            where=", ".join(str(row["file"]) for row in ledger[:5]),
            do="nothing was changed; report this fault with the shape of the file.",
        )
