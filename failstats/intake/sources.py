"""Which files hold which tables."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import duckdb

from failstats.errors import InputError
from failstats.intake.convert import Dialect
from failstats.intake.staged import Source, create_staged, put_frame
from failstats.warehouse.schema import TABLES

__all__ = ["find_sources"]


def find_sources(paths: list[Path]) -> list[Source]:
    """The tables that the given files and folders hold."""
    files: list[Path] = []
    for path in paths:
        files.extend(sorted(path.glob("*.csv")) if path.is_dir() else [path])
    return [_csv_source(path) for path in files]


def _csv_source(path: Path) -> Source:
    table = TABLES.get(path.stem)
    if table is None:
        raise InputError(f"a file must be named after a table, but {path.name} is not.")
    with path.open(encoding="utf-8-sig", newline="") as handle:
        reader = csv.reader(handle)
        header = [name.strip().lower() for name in next(reader)]
        rows = [(str(reader.line_num), row) for row in reader if row]
    names = {name: column.name for column in table.columns for name in (column.name, *column.synonyms)}
    unknown = [name for name in header if name not in names]
    if unknown:
        raise InputError(f"columns must be known, but {path.name} has {len(unknown)} unknown ones.")
    columns = tuple(names[name] for name in header)

    def stage(connection: duckdb.DuckDBPyConnection, name: str) -> None:
        create_staged(connection, name, table)
        if not rows:
            return
        put_frame(connection, "rows_in", ["line", *columns], [(line, *row) for line, row in rows])
        connection.execute(
            f"insert into {name} by name select cast(line as bigint) as place, $1 as file, "
            "cast(line as bigint) as line, * exclude (line) from rows_in",
            [path.name],
        )

    return Source(table=table.name, file=path.name,
                  sha256=hashlib.sha256(path.read_bytes()).hexdigest(), dialect=Dialect(),
                  stage=stage, columns=columns)  # fmt: skip
