"""A warehouse as Parquet in partitions of units: written, listed, looked through, opened.

Units of one building lie in one partition, so everything that is counted by unit or by building
adds up. What belongs to the whole company (prices, vans, settings) is written once and goes along
with every partition. `partitions.json` names every file with its rows and checksum, and is written
last: a folder without it is no folder of partitions.

A folder is a path, or an address that fsspec knows (s3://…, memory://…). It holds the versions of
rows that count now, so it answers as of any date but not `--as-loaded`; it is a copy of the
records, and must be written again after `forget`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from failstats import __version__
from failstats.errors import InputError, WarehouseError
from failstats.progress import Stages, each
from failstats.warehouse.schema import BOOKKEEPING, TABLES, stored_columns
from failstats.warehouse.store import connect_readonly, connection_config

__all__ = ["BY_UNIT", "Files", "Folder", "is_partitioned", "open_files", "read_files", "split"]

MANIFEST = "partitions.json"
FORMAT = 1
#: Tables of which each partition has its own rows, and which columns a row cannot do without.
BY_UNIT = {
    "units": ("unit_id", "family", "fuel"),
    "periods": ("unit_id", "enrolled_on"),
    "jobs": ("job_id", "unit_id", "visited_on", "kind"),
    "lines": ("job_id", "part", "position", "finding", "action"),
    "cleanings": ("unit_id", "cleaned_on", "scope"),
}
COMPANY = ("catalogue", "vans", "carried", "batches", "settings")
MOST = 10_000  # partitions; a hash of 64 bits spreads further than anyone has machines


class Folder:
    """Where the files are: a path of this machine, or an address that fsspec knows.

    Raises
    ------
    InputError : an address, but fsspec or what it needs for that address is not installed.
    """

    def __init__(self, where: str | Path) -> None:
        self.where = str(where).rstrip("/")
        self.system: Any = None
        if "://" in self.where:
            try:
                from fsspec.core import url_to_fs

                self.system, self._root = url_to_fs(self.where)
            except (ImportError, ValueError) as fault:
                raise InputError(
                    f"an address such as {self.where.split('://')[0]}:// needs fsspec and its "
                    f"package for that store, but: {fault}.",
                    where=self.where,
                    do='pip install "failstats[cluster]", and the package of that store.',
                ) from None

    def __str__(self) -> str:
        return self.where

    def path(self, name: str) -> str:
        """The path of a file as DuckDB reads it."""
        return f"{self.where}/{name}"

    def literal(self, name: str) -> str:
        """The path of a file as an SQL string literal (`copy` and views take no parameters)."""
        return "'" + self.path(name).replace("'", "''") + "'"

    def attach(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Let a connection read addresses of this folder's kind."""
        if self.system is not None:
            connection.register_filesystem(self.system)

    def _inside(self, name: str) -> str:
        return f"{self._root}/{name}" if name else self._root

    def has(self, name: str) -> bool:
        """Whether there is such a file."""
        if self.system is None:
            return (Path(self.where) / name).is_file()
        return bool(self.system.isfile(self._inside(name)))

    def is_empty(self) -> bool:
        """Whether nothing is there yet."""
        if self.system is None:
            path = Path(self.where)
            return not path.exists() or (path.is_dir() and not any(path.iterdir()))
        return not self.system.exists(self._root) or not self.system.find(self._root)

    def make(self, name: str) -> None:
        """Make a folder inside, where the store has folders."""
        if self.system is None:
            (Path(self.where) / name).mkdir(parents=True, exist_ok=True)
        else:
            self.system.makedirs(self._inside(name), exist_ok=True)

    def write(self, name: str, text: str) -> None:
        """Write a small file."""
        if self.system is None:
            (Path(self.where) / name).write_text(text, encoding="utf-8")
        else:
            self.system.pipe_file(self._inside(name), text.encode("utf-8"))

    def read(self, name: str) -> str:
        """Read a small file."""
        if self.system is None:
            return (Path(self.where) / name).read_text("utf-8")
        return bytes(self.system.cat_file(self._inside(name))).decode("utf-8")

    def checksum(self, name: str) -> str:
        """SHA-256 of a file, read in blocks."""
        found = hashlib.sha256()
        opened = (
            (Path(self.where) / name).open("rb")
            if self.system is None
            else self.system.open(self._inside(name), "rb")
        )
        with opened as stream:
            while block := stream.read(2**20):
                found.update(block)
        return found.hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Files:
    """What `partitions.json` says.

    Attributes
    ----------
    parts : how many partitions.
    tables : (parts,) for each partition, table -> {file, rows, sha256}.
    company : the same for what belongs to the whole company.
    families, fuels : that any unit has, for the filters.
    """

    parts: int
    tables: tuple[dict[str, dict[str, Any]], ...]
    company: dict[str, dict[str, Any]]
    families: tuple[str, ...]
    fuels: tuple[str, ...]

    def units(self, partition: int) -> int:
        """How many units a partition has."""
        return int(self.tables[partition]["units"]["rows"])


def is_partitioned(where: str | Path) -> bool:
    """Whether a path or address is a folder that `split` wrote."""
    text = str(where)
    if "://" not in text and not Path(text).is_dir():
        return False
    return Folder(where).has(MANIFEST)


def split(
    warehouse: Path,
    where: str | Path,
    *,
    parts: int,
    progress: Callable[[str], None] | None = None,
) -> Files:
    """Write a warehouse as partitions of units.

    Parameters
    ----------
    where : a new or empty folder; nothing is overwritten.
    parts : how many partitions, from 1; some per worker keep all of them busy to the end.
    progress : called with each partition.

    Raises
    ------
    InputError : the folder holds something, or `parts` is out of range.
    """
    if not 1 <= parts <= MOST:
        raise InputError(
            f"--parts must be from 1 to {MOST}, but is {parts}.",
            where="--parts",
            do="give about four for each worker.",
        )
    folder = Folder(where)
    if not folder.is_empty():
        raise InputError(
            f"the folder of partitions must be new or empty, but {folder} is not.",
            where=str(folder),
            do="name another folder, or remove it first; nothing was changed.",
        )
    connection = connect_readonly(warehouse)
    try:
        folder.make("")
        folder.attach(connection)
        stage = Stages(progress, {"dividing the units": 1.0, "the partitions": 1.0 * parts})
        stage("dividing the units")
        _give_numbers(connection, parts)
        company = dict(_company(connection, folder))
        stage("the partitions")
        tables = [
            {name: _file(connection, folder, name, number) for name in BY_UNIT}
            for number in each(progress, range(parts), lambda number: f"partition {number + 1}")
        ]
        families, fuels = (
            tuple(
                str(row[0])
                for row in connection.execute(
                    f"select distinct {column} from raw.units where superseded_in is null "
                    "order by 1"
                ).fetchall()
            )
            for column in ("family", "fuel")
        )
    finally:
        connection.close()
    files = Files(
        parts=parts, tables=tuple(tables), company=company, families=families, fuels=fuels
    )
    listed = {
        "format": FORMAT,
        "failstats": __version__,
        "parts": parts,
        "hashed": "md5 of building_id, else of unit_id",
        "families": families,
        "fuels": fuels,
        "company": company,
        "tables": tables,
    }
    folder.write(MANIFEST, json.dumps(listed, indent=1))
    return files


def _give_numbers(connection: duckdb.DuckDBPyConnection, parts: int) -> None:
    """To each unit, and to each job by its unit, the number of its partition."""
    connection.execute(
        "create temp table unit_parts as select unit_id, "
        "md5_number_lower(coalesce(building_id, unit_id)) % $parts as part "
        "from raw.units where superseded_in is null",
        {"parts": parts},
    )
    # records of a unit that is not there stay together by its id, as they do in the warehouse
    for table, key in (("jobs", "job_id, record.unit_id"), ("periods", ""), ("cleanings", "")):
        connection.execute(
            f"create temp table {table}_parts as select "
            f"{'record.' + key if key else 'distinct record.unit_id'}, coalesce(unit_parts.part, "
            "md5_number_lower(record.unit_id) % $parts) as part "
            f"from raw.{table} as record left join unit_parts using (unit_id) "
            "where record.superseded_in is null",
            {"parts": parts},
        )
    connection.execute(
        "create temp table lines_parts as select distinct record.job_id, "
        "coalesce(jobs_parts.part, md5_number_lower(record.job_id) % $parts) as part "
        "from raw.lines as record left join jobs_parts using (job_id) "
        "where record.superseded_in is null",
        {"parts": parts},
    )


def _file(
    connection: duckdb.DuckDBPyConnection, folder: Folder, table: str, number: int
) -> dict[str, Any]:
    """The rows of one table in one partition, as one Parquet file."""
    name = f"{number:05d}/{table}.parquet"
    folder.make(f"{number:05d}")
    key = {"units": "unit_id", "jobs": "job_id", "lines": "job_id"}.get(table, "unit_id")
    kept = "unit_parts" if table == "units" else f"{table}_parts"
    return _copy(
        connection,
        folder,
        name,
        f"select record.* exclude (file, line) from raw.{table} as record "
        f"inner join {kept} as kept using ({key}) "
        f"where record.superseded_in is null and kept.part = {int(number)}",
    )


def _company(
    connection: duckdb.DuckDBPyConnection, folder: Folder
) -> Iterator[tuple[str, dict[str, Any]]]:
    folder.make("company")
    for table in COMPANY:
        # earlier prices too; the names of loaded files are nobody's business elsewhere
        columns = "*" if table == "settings" else "* exclude (file)"
        sql = f"select {columns} from raw.{table}"
        yield table, _copy(connection, folder, f"company/{table}.parquet", sql)


def _copy(
    connection: duckdb.DuckDBPyConnection, folder: Folder, name: str, sql: str
) -> dict[str, Any]:
    written = connection.execute(f"copy ({sql}) to {folder.literal(name)} (format parquet)")
    return {"file": name, "rows": int(written.fetchall()[0][0]), "sha256": folder.checksum(name)}


def read_files(where: str | Path) -> Files:
    """Read `partitions.json`.

    Raises
    ------
    WarehouseError : there is none, or another failstats wrote it.
    """
    folder = Folder(where)
    try:
        tree = json.loads(folder.read(MANIFEST))
        if tree["format"] != FORMAT:
            raise ValueError(f"it is of format {tree['format']}")
        return Files(
            parts=int(tree["parts"]),
            tables=tuple(tree["tables"]),
            company=dict(tree["company"]),
            families=tuple(tree["families"]),
            fuels=tuple(tree["fuels"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise WarehouseError(
            f"a folder of partitions must hold {MANIFEST} of format {FORMAT}, but: {fault}.",
            where=str(folder),
            do="write it again: failstats partition FOLDER -w company.duckdb",
        ) from None


def open_files(
    folder: Folder, files: Files, partition: int | None, *, threads: int | None = None
) -> duckdb.DuckDBPyConnection:
    """A connection that sees the raw tables of one partition, or of the company alone.

    Parameters
    ----------
    partition : its number from 0; None for the company's tables with no unit.
    threads : of DuckDB; None for all of the machine.
    """
    config = connection_config()
    if threads is not None:
        config["threads"] = threads
    connection = duckdb.connect(config=config)
    try:
        folder.attach(connection)
        connection.execute("create schema raw")
        for name, listed in files.company.items():
            # small, and read on every machine: kept
            connection.execute(
                f"create table raw.{name} as select * from {_parquet(folder, listed)}"
            )
        for name, needed in BY_UNIT.items():
            if partition is None:
                connection.execute(f"create table raw.{name} ({_columns(name)})")
                continue
            usable = " and ".join(f"{column} is not null" for column in needed)
            listed = files.tables[partition][name]
            connection.execute(
                f"create view raw.{name} as select * from {_parquet(folder, listed)} where {usable}"
            )
    except BaseException:
        connection.close()
        raise
    return connection


def _parquet(folder: Folder, listed: dict[str, Any]) -> str:
    """A file as DuckDB reads it."""
    return f"read_parquet({folder.literal(listed['file'])})"


def _columns(table: str) -> str:
    pairs = [pair for column in TABLES[table].columns for pair in stored_columns(column)]
    return ", ".join(f'"{name}" {kind}' for name, kind in (*pairs, *BOOKKEEPING))
