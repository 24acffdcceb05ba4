"""Parquet, JSON lines, XLSX sheets and SQLite tables, read as rows of text like a CSV file.

Every reader has ``label``, ``header``, ``sha256``, ``notes`` and ``stage(connection, name)``, which
fills a temporary table (place, broken, whole_text, c0, c1, …). The place is the row a person sees:
the sheet's row, the line of the file, the number of the record.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import duckdb
import numpy as np
import pyarrow as pa

from failstats.errors import InputError
from failstats.intake.columns import CODED, coded, filtered, tidy
from failstats.intake.prepass import (
    UNPACKED_FREE,
    UNPACKED_RATIO,
    TextFile,
    examine,
    file_hash,
    new_name,
)
from failstats.intake.staged import clean

__all__ = [
    "RowFile", "json_lines", "parquet", "plain_values_only", "rows_in_memory", "sheet_names",
    "sqlite_table", "sqlite_tables", "xlsx_sheet",
]  # fmt: skip

JSON_LINE_BYTES = 8 * 2**20
CELL_ERRORS = {"Ref": "#REF!", "NA": "#N/A", "Div0": "#DIV/0!", "Value": "#VALUE!",
               "Name": "#NAME?", "Num": "#NUM!", "Null": "#NULL!"}  # fmt: skip
NESTED = ("struct", "list", "array", "map", "union", "variant")


class RowFile(Protocol):
    """What every reader of rows offers.

    ``plain`` may be told places of columns whose texts hardly ever repeat; ``in_memory`` has the
    staged rows where they are in no table of DuckDB's but only seen by it.
    """

    label: str
    header: list[str]
    notes: list[str]
    plain: frozenset[int]
    in_memory: pa.Table | None

    @property
    def sha256(self) -> str:
        """Of the file's bytes."""

    def read_ahead(self) -> None:
        """Take the rows into memory, where that needs no connection."""

    def stage(self, connection: duckdb.DuckDBPyConnection, name: str) -> None:
        """Fill the temporary table."""


@dataclass(slots=True, kw_only=True)
class _Rows:
    """Rows that are already in memory as text: columns place, c0, c1, …."""

    label: str
    header: list[str]
    sha256: str
    rows: pa.Table
    notes: list[str] = field(default_factory=list)
    plain: frozenset[int] = frozenset()
    in_memory: pa.Table | None = None

    def read_ahead(self) -> None:
        if self.in_memory is not None:
            return
        nothing = pa.nulls(self.rows.num_rows, CODED)
        named = {"place": self.rows["place"], "broken": nothing, "whole_text": nothing}
        filled = np.zeros(self.rows.num_rows, dtype=bool)
        for at in range(len(self.header)):
            texts = self.rows[f"c{at}"].cast(pa.string())
            column = tidy(texts if at in self.plain else coded(texts))
            filled |= column.is_valid().to_numpy()
            named[f"c{at}"] = column
        self.in_memory = filtered(pa.table(named), pa.array(filled))

    def stage(self, connection: duckdb.DuckDBPyConnection, name: str) -> None:
        self.read_ahead()
        connection.execute("select 1").fetchall()  # a result half read would forbid to register
        connection.register(name, self.in_memory)


def rows_in_memory(
    label: str,
    header: list[str],
    sha256: str,
    columns: Sequence[pa.Array | pa.ChunkedArray],
    places: range,
) -> RowFile:
    """Rows that are in memory as text already.

    Parameters
    ----------
    label : the name under which the rows are known.
    sha256 : by which the same rows are known again.
    places : the number of each row.
    """
    named = {"place": pa.array(places, pa.int64())}
    named |= {f"c{at}": column for at, column in enumerate(columns)}
    return _Rows(label=label, header=header, sha256=sha256, rows=pa.table(named))


def _safe_name(path: Path, folder: Path) -> Path:
    clean = new_name(folder)
    try:
        os.symlink(path.resolve(), clean)
    except OSError:
        shutil.copyfile(path, clean)
    return clean


@dataclass(slots=True, kw_only=True)
class _Parquet:
    label: str
    path: Path
    header: list[str]
    sha256: str
    nested: frozenset[int] = frozenset()
    notes: list[str] = field(default_factory=list)
    plain: frozenset[int] = frozenset()
    in_memory: pa.Table | None = None

    def read_ahead(self) -> None:
        """DuckDB reads the file."""

    def stage(self, connection: duckdb.DuckDBPyConnection, name: str) -> None:
        titles = ", ".join(f"c{at}" for at in range(len(self.header)))
        fields = "".join(
            f", {clean(f'cast(c{at} as varchar)')} as c{at}" for at in range(len(self.header))
        )
        connection.execute(
            f"create temp table {name} as select row_number() over () as place, "
            f"null::varchar as broken, null::varchar as whole_text{fields} "
            f"from read_parquet($1) as told({titles})",
            [str(self.path)],
        )


def parquet(path: Path, folder: Path) -> RowFile | None:
    """A Parquet file; a damaged one is refused."""
    clean = _safe_name(path, folder)
    with duckdb.connect() as connection:
        try:
            found = connection.execute("select * from read_parquet($1) limit 0", [str(clean)])
            told = found.description or []
            header = [column[0] for column in told]
            nested = frozenset(at for at, column in enumerate(told) if column[1].id in NESTED)
            row = connection.execute(
                "select count(*) from (select columns(*)::varchar from read_parquet($1))",
                [str(clean)],
            ).fetchone()
        except duckdb.Error:
            raise InputError(
                "a Parquet file must be whole, but this one is damaged or cut short.",
                where=path.name,
                do="copy or export it again. Nothing was loaded.",
            ) from None
    if row is None or not row[0]:
        return None
    return _Parquet(label=path.name, path=clean, header=header, nested=nested,
                    sha256=file_hash(path))  # fmt: skip


@dataclass(slots=True, kw_only=True)
class _JsonLines:
    label: str
    text: TextFile
    header: list[str]
    notes: list[str]
    taken: frozenset[int] = frozenset()
    plain: frozenset[int] = frozenset()
    in_memory: pa.Table | None = None

    @property
    def sha256(self) -> str:
        return self.text.sha256

    def read_ahead(self) -> None:
        """DuckDB reads the file."""

    def stage(self, connection: duckdb.DuckDBPyConnection, name: str) -> None:
        fields = "".join(f", {clean(f'sound->>$k{at}')} as c{at}" for at in range(len(self.header)))
        unusable = [*self.text.nul_lines, *self.text.long_lines]
        connection.execute(
            f"create temp table {name} as with whole as (select place, content, "
            f"case when {_IS_OBJECT} then content::json end as sound from ({_JSON_LINES})) "
            "select place, case when list_contains($unusable, place) "
            "then 'line has a NUL byte or is longer than 1 MB' "
            "when sound is null then 'line must be one JSON object' "
            "when len(list_filter($taken, lambda key: json_type(sound, key) in "
            "('OBJECT', 'ARRAY'))) > 0 then 'a value must be a text or a number, but one is a list "
            "or an object' end as broken, "
            f"null::varchar as whole_text{fields} from whole where trim(content) <> ''",
            {
                **_json_reader(self.text),
                "unusable": unusable,
                "taken": [_pointer(self.header[at]) for at in sorted(self.taken)],
                **{f"k{at}": _pointer(key) for at, key in enumerate(self.header)},
            },
        )


def plain_values_only(rows: RowFile, taken: set[int]) -> None:
    """Of the columns that are taken, a list or an object is no value.

    Raises
    ------
    InputError : a column of a Parquet file holds nothing else.
    """
    if isinstance(rows, _JsonLines):
        rows.taken = frozenset(taken)
    if isinstance(rows, _Parquet) and (wrong := sorted(rows.nested & taken)):
        raise InputError(
            f"a value must be a text, a number or a date, but column {wrong[0] + 1} holds lists or "
            "objects.",
            where=rows.label,
            do="write a column of plain values.",
        )


# json_type fails on what is no JSON at all, hence the case
_IS_OBJECT = "case when json_valid(content) then json_type(content) = 'OBJECT' else false end"
_JSON_LINES = (
    "select row_number() over () as place, content from read_csv($path, auto_detect = false, "
    "header = false, delim = $free, quote = '', escape = '', columns = {'content': 'VARCHAR'}, "
    "max_line_size = $longest)"
)


def _json_reader(text: TextFile) -> dict[str, object]:
    return {"path": str(text.path), "free": text.free_byte, "longest": JSON_LINE_BYTES}


def _pointer(key: str) -> str:
    return "/" + key.replace("~", "~0").replace("/", "~1")


def json_lines(path: Path, folder: Path, encoding: str | None = None) -> RowFile | None:
    """A file with one JSON object per line."""
    text = examine(path, folder, encoding=encoding)
    with duckdb.connect() as connection:
        keys = connection.execute(
            "select key, min(place) from (select place, unnest(json_keys(content)) as key from ("
            + _JSON_LINES
            + f") where {_IS_OBJECT}) group by key order by 2, 1",
            _json_reader(text),
        ).fetchall()
    if not keys:
        if text.lines:
            raise InputError(
                "every line must be one JSON object, but none is.",
                where=path.name,
                do="write one object per line, not one list of all.",
            )
        return None
    return _JsonLines(label=path.name, text=text, header=[key[0] for key in keys],
                      notes=list(text.notes))  # fmt: skip


def _check_archive(path: Path) -> None:
    """Refuse what is no XLSX, a bomb, or an archive with paths that lead out of it."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            if not any(entry.filename.startswith("xl/") for entry in entries):
                raise InputError("an Excel file must hold sheets, but this one holds none.",
                                 where=path.name, do="save it again as .xlsx.")  # fmt: skip
    except (zipfile.BadZipFile, OSError):
        raise InputError(
            "an Excel file must be whole, but this one is damaged, cut short or no .xlsx.",
            where=path.name,
            do="save it again as .xlsx. Nothing was loaded.",
        ) from None
    packed = sum(entry.compress_size for entry in entries)
    plain = sum(entry.file_size for entry in entries)
    if plain > max(UNPACKED_FREE, UNPACKED_RATIO * packed):
        raise InputError(
            f"a packed file must unpack to at most {UNPACKED_RATIO} times its size, but this one "
            "is larger.",
            where=path.name,
            do="save the table as CSV if you trust it.",
        )
    for entry in entries:
        if entry.filename.startswith(("/", "\\")) or ".." in entry.filename.split("/"):
            raise InputError("an Excel file must not hold paths that lead out of it.",
                             where=path.name, do="save it again as .xlsx.")  # fmt: skip


def _excel(path: Path) -> Any:
    try:
        import fastexcel
    except ImportError:
        raise InputError(
            "reading .xlsx needs the package fastexcel, but it is not installed.",
            where=path.name,
            do="pip install fastexcel, or save the sheets as CSV.",
        ) from None
    _check_archive(path)
    try:
        return fastexcel.read_excel(str(path))
    except fastexcel.FastExcelError:
        raise InputError(
            "an Excel file must be readable, but this one is not.",
            where=path.name,
            do="save it again as .xlsx, without a password.",
        ) from None


def sheet_names(path: Path) -> list[str]:
    """The sheets of an Excel file."""
    return list(_excel(path).sheet_names)


def _with_errors(sheet: Any) -> pa.RecordBatch:
    """A cell with an error is no blank: it is kept as the text that a person sees there."""
    loaded, wrong = sheet.to_arrow_with_errors()
    if wrong is None or not wrong.errors:
        return loaded
    columns = [column.to_pylist() for column in loaded.columns]
    for cell in wrong.errors:
        row, at = cell.offset_position
        kind = cell.detail.partition("Error(")[2].rstrip("')")
        columns[at][row] = CELL_ERRORS.get(kind, "#ERROR!")
    return pa.RecordBatch.from_arrays(
        [pa.array(column, pa.string()) for column in columns], names=loaded.schema.names
    )


def xlsx_sheet(path: Path, sheet: str) -> RowFile | None:
    """One sheet, its first row the header."""
    loaded = _with_errors(_excel(path).load_sheet(sheet, header_row=None, dtypes="string"))
    for at in range(loaded.num_rows):
        titles = [column[at].as_py() or "" for column in loaded.columns]
        if any(title.strip() for title in titles):
            rest = [column.slice(at + 1) for column in loaded.columns]
            places = range(at + 2, loaded.num_rows + 1)
            return rows_in_memory(f"{path.name}[{sheet}]", [t.strip() for t in titles],
                                  file_hash(path), rest, places)  # fmt: skip
    return None


def _sqlite(path: Path) -> sqlite3.Connection:
    with path.open("rb") as handle:
        if not handle.read(16).startswith(b"SQLite format 3"):
            raise InputError(
                "a SQLite file must begin as one, but this one does not.",
                where=path.name,
                do="name the right file.",
            )
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)


def sqlite_tables(path: Path) -> list[str]:
    """The tables and views of a SQLite file."""
    connection = _sqlite(path)
    try:
        found = connection.execute(
            "select name from sqlite_master where type in ('table', 'view') order by name"
        )
        return [row[0] for row in found]
    except sqlite3.Error:
        raise _damaged(path) from None
    finally:
        connection.close()


def sqlite_table(path: Path, table: str) -> RowFile | None:
    """One table of a SQLite file, opened read-only."""
    if table not in sqlite_tables(path):
        raise InputError(
            "a SQLite file must have the table that the mapping names, but it has not.",
            where=path.name,
            do="correct sheet in the mapping.",
        )
    connection = _sqlite(path)
    try:
        quoted = '"' + table.replace('"', '""') + '"'  # a name that sqlite_master knows
        found = connection.execute(f"select * from {quoted}")
        header = [column[0] for column in found.description]
        rows = [_texts(row) for row in found]
    except sqlite3.Error:
        raise _damaged(path) from None
    finally:
        connection.close()
    if not rows:
        return None
    columns = [pa.array(column, pa.string()) for column in zip(*rows, strict=True)]
    return rows_in_memory(f"{path.name}[{table}]", header, file_hash(path), columns,
                          range(1, len(rows) + 1))  # fmt: skip


def _texts(row: Iterable[object]) -> tuple[str | None, ...]:
    return tuple(
        None if value is None
        else value.decode("utf-8", errors="replace") if isinstance(value, bytes)
        else str(value)
        for value in row
    )  # fmt: skip


def _damaged(path: Path) -> InputError:
    return InputError(
        "a SQLite file must be whole, but this one is damaged or cut short.",
        where=path.name,
        do="copy it again while nobody writes to it. Nothing was loaded.",
    )
