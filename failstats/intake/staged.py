"""A source's rows as text, and the step from text to typed columns.

Inside the load's connection every source has a temporary table ``staged_N`` (text as written, in
the contract's columns) and every table of the contract one ``typed_TABLE`` (stored columns). A row
is known by one number: the source's number times ``ROW_SPAN`` plus its place in the source.
Names in SQL come from the schema and from counters, values go in as parameters or as frames.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import duckdb
import pandas as pd

from failstats.errors import InputError
from failstats.intake.convert import Converter, Dialect, date_orders
from failstats.intake.privacy import (
    LONGEST_TEXT,
    Key,
    identifying,
    is_hash,
    looks_identifying,
    refuse_identifiers,
)
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import TABLES, Column, Table, stored_columns

__all__ = [
    "ROW_SPAN",
    "Source",
    "canonical",
    "clean",
    "create_work_tables",
    "put_frame",
    "type_rows",
]

SPACE = "' \t\r\n' || chr(160) || chr(65279)"  # SQL: what is stripped from both ends of a text
ROW_SPAN = 10**12  # more rows than any file has


@dataclass(slots=True, kw_only=True)
class Source:
    """One table's rows from one file.

    Attributes
    ----------
    table : the contract's table.
    file : the name under which the rows are known.
    sha256 : of the file's bytes; empty for rows that come out of quarantine.
    dialect : how it writes things.
    stage : makes ``staged_N`` through the connection: place, file, line, why the line is no row
        (broken), its text, and the contract's columns, clean and null where blank.
    columns : the contract's columns that the file has.
    let_go : drops what ``stage`` made, once its rows are stored.
    key : hashes the ids, where given; an id that already is a pseudonym stays (rows out of
        quarantine).
    from_quarantine : its rows were in the warehouse's quarantine.
    """

    table: str
    file: str
    sha256: str
    dialect: Dialect
    stage: Callable[[duckdb.DuckDBPyConnection, str], None]
    columns: tuple[str, ...]
    key: Key | None = None
    from_quarantine: bool = False
    let_go: Callable[[duckdb.DuckDBPyConnection], None] = lambda connection: None
    number: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def staged(self) -> str:
        """The temporary table of its text."""
        return f"staged_{self.number}"


def clean(expression: str, *, odd_space: bool = True) -> str:
    """SQL: a text without white space around it, null where nothing is left.

    Parameters
    ----------
    odd_space : there may be white space other than blanks, which takes five times as long.
    """
    return f"nullif(trim({expression}{', ' + SPACE if odd_space else ''}), '')"


def create_work_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """The temporary tables every load works in."""
    connection.execute(
        'create temp table verdicts ("row" bigint, place integer, "column" varchar, reason varchar)'
    )
    connection.execute('create temp table duplicates ("row" bigint)')
    connection.execute('create temp table silent ("row" bigint)')
    connection.execute("create temp table source_files (number integer, file varchar)")
    connection.execute('create temp table corrections ("row" bigint)')
    for table in TABLES.values():
        pairs = [pair for column in table.columns for pair in stored_columns(column)]
        body = ", ".join(f'"{name}" {kind}' for name, kind in pairs)
        connection.execute(
            f'create temp table typed_{table.name} ("row" bigint, file varchar, line bigint, '
            f"{body})"
        )


def put_frame(connection: duckdb.DuckDBPyConnection, name: str, columns: Iterable[str],
              rows: Sequence[tuple[str | None, ...]]) -> None:  # fmt: skip
    """A temporary table of text from rows of Python."""
    columns = list(columns)
    frame = pd.DataFrame(rows, columns=columns, dtype=object)
    connection.execute("select 1").fetchall()  # a result half read would forbid to register
    connection.register("frame_in", frame)
    try:
        body = ", ".join(f'cast("{column}" as varchar) as "{column}"' for column in columns)
        connection.execute(f"create or replace temp table {name} as select {body} from frame_in")
    finally:
        connection.unregister("frame_in")


def type_rows(
    connection: duckdb.DuckDBPyConnection, source: Source, vocabulary: Vocabulary, today: dt.date
) -> None:
    """Read the spellings of every column and append the rows to ``typed_TABLE``.

    Reasons go to ``verdicts``; a reason does not stop the other columns from being read.
    """
    table = TABLES[source.table]
    dialect = _settled(connection, source, table)
    converter = Converter(dialect, vocabulary, today)
    kept = [c.name for c in table.columns if c.name in source.columns
            and (c.kind == "text" or (c.kind == "id" and source.key is None))]  # fmt: skip
    refuse_identifiers(connection, source.staged, kept, source.file)
    base = source.number * ROW_SPAN
    connection.execute(
        f"insert into verdicts select {base} + place, 0, null, broken from {source.staged} "
        "where broken is not null"
    )
    _refuse_long_texts(connection, source, kept)
    selects, joins = [], []
    for place, column in enumerate(table.columns, start=1):
        spelling = f'staged."{column.name}"'
        stored = stored_columns(column)
        look = f"look_{source.number}_{place}"
        if column.name not in source.columns:
            selects += [
                _default(column, f"null::{kind}", at) for at, (_, kind) in enumerate(stored)
            ]
        elif column.name in kept:
            selects.append(f"case when length({spelling}) <= {LONGEST_TEXT} then {spelling} end")
        elif column.kind == "id":
            _pseudonyms(connection, source, column, look)
            joins.append(f"left join {look} on {look}.spelling = {spelling}")
            selects.append(f"{look}.pseudonym")
        else:
            _spellings(connection, source, column, converter, look, place)
            joins.append(f"left join {look} on {look}.spelling = {spelling}")
            selects += [
                _default(column, f"cast({look}.v{at} as {kind})", at)
                for at, (_, kind) in enumerate(stored)
            ]
    names = ", ".join(f'"{name}"' for column in table.columns for name, _ in stored_columns(column))
    connection.execute(
        f'insert into typed_{table.name} ("row", file, line, {names}) '
        f"select {base} + staged.place, staged.file, staged.line, {', '.join(selects)} "
        f"from {source.staged} as staged {' '.join(joins)}"
    )
    _refuse_blanks(connection, source, table)


def _refuse_long_texts(
    connection: duckdb.DuckDBPyConnection, source: Source, columns: list[str]
) -> None:
    """Free text is not loaded; the row goes to quarantine without it."""
    places = {column.name: at for at, column in enumerate(TABLES[source.table].columns, start=1)}
    for column in _present(connection, source.staged, columns,
                           "length({}) > " + str(LONGEST_TEXT)):  # fmt: skip
        connection.execute(
            f"insert into verdicts select {source.number * ROW_SPAN} + place, {places[column]}, "
            f"'{column}', '{column} must be at most {LONGEST_TEXT} characters: free text is not "
            f'loaded\' from {source.staged} where length("{column}") > {LONGEST_TEXT}'
        )


def _refuse_blanks(connection: duckdb.DuckDBPyConnection, source: Source, table: Table) -> None:
    """What is needed must be there; what was there and unreadable has its own reason."""
    low = source.number * ROW_SPAN
    mine = f'(from typed_{table.name} where "row" >= {low} and "row" < {low + ROW_SPAN})'
    places = {column.name: at for at, column in enumerate(table.columns, start=1)}
    required = [column.name for column in table.columns if column.required]
    for column in _present(connection, mine, required, "{} is null"):
        connection.execute(
            f"insert into verdicts select \"row\", {places[column]}, '{column}', "
            f"'{column} must be given' from {mine} as typed where \"{column}\" is null and not "
            'exists (from verdicts as told where told."row" = typed."row" and '
            f"(told.place = 0 or told.\"column\" = '{column}'))"
        )


def _present(connection: duckdb.DuckDBPyConnection, rows: str, columns: list[str],
             condition: str) -> list[str]:  # fmt: skip
    """The columns for which a condition holds in some row, found in one pass."""
    if not columns:
        return []
    tests = ", ".join(
        f"count(*) filter (where {condition.format(chr(34) + column + chr(34))})"
        for column in columns
    )
    found = connection.execute(f"select {tests} from {rows}").fetchone()
    return [column for column, count in zip(columns, found or (), strict=True) if count]


def _default(column: Column, expression: str, place: int) -> str:
    if column.default is None or place > 0:
        return expression
    value = column.default
    literal = f"'{value}'" if isinstance(value, str) else str(value).lower()
    return f"coalesce({expression}, {literal})"


def _spellings(connection: duckdb.DuckDBPyConnection, source: Source, column: Column,
               converter: Converter, look: str, place: int) -> None:  # fmt: skip
    """The table of a column's spellings, read; refused ones go to ``verdicts``."""
    texts = _distinct(connection, source, column)
    width = len(stored_columns(column))
    rows = []
    refused = False
    for text in texts:
        values, reason = converter.convert(column, text)
        if reason is not None and (what := looks_identifying(text)):
            _refuse(connection, source, column, text, what)
        refused = refused or reason is not None
        rows.append((text, *values, reason))
    names = ["spelling", *(f"v{at}" for at in range(width)), "reason"]
    put_frame(connection, look, names, rows)
    if refused:
        connection.execute(
            f"insert into verdicts select {source.number * ROW_SPAN} + place, {place}, "
            f"'{column.name}', reason from {source.staged} as staged join {look} "
            f'on spelling = staged."{column.name}" where reason is not null'
        )


def _refuse(connection: duckdb.DuckDBPyConnection, source: Source, column: Column, text: str,
            what: str) -> None:  # fmt: skip
    lines = connection.execute(
        f'select line, count(*) over () from {source.staged} where "{column.name}" = $1 '
        "order by place limit 5",
        [text],
    ).fetchall()
    raise identifying(column.name, what, source.file, [row[0] for row in lines], lines[0][1])


def _pseudonyms(connection: duckdb.DuckDBPyConnection, source: Source, column: Column,
                look: str) -> None:  # fmt: skip
    assert source.key is not None
    rows: list[tuple[str | None, ...]] = []
    for text in _distinct(connection, source, column):
        ready = source.from_quarantine and is_hash(text)
        rows.append((text, text if ready else source.key.hash(column.name, text)))
    put_frame(connection, look, ["spelling", "pseudonym"], rows)


def _distinct(connection: duckdb.DuckDBPyConnection, source: Source, column: Column) -> list[str]:
    found = connection.execute(
        f'select distinct "{column.name}" from {source.staged} where "{column.name}" is not null'
    )
    return [row[0] for row in found.fetchall()]


def _settled(connection: duckdb.DuckDBPyConnection, source: Source, table: Table) -> Dialect:
    """The dialect with the order of every date column settled by the column as a whole."""
    orders = dict(source.dialect.date_order)
    for column in table.columns:
        stated = source.dialect.order(column.name)
        if column.kind != "date" or column.name not in source.columns or stated:
            continue
        proved, either = date_orders(_distinct(connection, source, column))
        if len(proved) == 2:
            raise InputError(
                f"all dates of {column.name} must have one order of day and month, but some can "
                "only be day first and some only month first.",
                where=f"{source.file}, column {column.name}",
                do="state date_order in the mapping; dates in the other order then go to "
                "quarantine.",
            )
        if either is not None and not proved:
            first, second, year = either.replace("/", "-").replace(".", "-")[:10].split("-")
            raise InputError(
                f"a date must have one reading, but {either} may be {year}-{second:0>2}-{first:0>2}"
                f" (day first) or {year}-{first:0>2}-{second:0>2} (month first).",
                where=f"{source.file}, column {column.name}",
                do='state the order in the mapping: date_order = "dmy" or "mdy".',
            )
        if proved:
            orders[column.name] = next(iter(proved))
            source.notes.append(
                f"{source.file}: {column.name} is read as "
                f"{'day' if 'dmy' in proved else 'month'} first, as some of its dates prove"
            )
    return Dialect(
        decimal_mark=source.dialect.decimal_mark, date_order=orders, units=source.dialect.units,
        codes=source.dialect.codes, blanks=source.dialect.blanks,
    )  # fmt: skip


def canonical(column: Column, prefix: str) -> str:
    """SQL that writes a stored value so that it reads back the same without a mapping."""
    names = [f'{prefix}."{name}"' for name, _ in stored_columns(column)]
    text = [f"cast({name} as varchar)" for name in names]
    units = {"length": " m", "duration": " min", "span": " days", "volume": " L"}
    if column.kind == "yes_no":
        return f"case {names[0]} when true then 'yes' when false then 'no' end"
    if column.kind in units:
        return f"{text[0]} || '{units[column.kind]}'"
    if column.kind == "reading":
        return (
            f"case when {names[2]} then 'OL' else coalesce({text[0]} || ' ohm', "
            f"{text[1]} || ' °C') end"
        )
    if column.kind == "lint":
        return f"coalesce({text[0]} || ' kg', {text[1]} || ' L')"
    if column.kind == "airflow":
        return f"coalesce({text[0]} || ' m/s', {text[1]} || ' m3/s')"
    return text[0]
