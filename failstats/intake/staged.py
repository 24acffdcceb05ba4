"""A source's rows as text and as stored columns, and the temporary tables a load works in.

Inside the load's connection every source has a view ``staged_N`` (text as written, in the
contract's columns) and ``typed_N`` (stored columns), and every table of the contract one
``typed_TABLE`` of all its sources. A row is known by one number: the source's number times
``ROW_SPAN`` plus its place in the source. Names in SQL come from the schema and from counters,
values go in as parameters or as frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from failstats.intake.columns import SPACE, constant, filtered
from failstats.intake.convert import Dialect
from failstats.intake.privacy import Key
from failstats.warehouse.schema import TABLES, Column, stored_columns

__all__ = [
    "ROW_SPAN",
    "Source",
    "canonical",
    "clean",
    "create_work_tables",
    "forget_source",
    "note_verdicts",
    "put_frame",
    "rows_alone",
    "rows_of",
    "show_source",
    "show_typed",
]

STRIPPED = " || ".join(f"chr({ord(space)})" for space in SPACE)  # SQL
ROW_SPAN = 10**12  # more rows than any file has
Verdicts = tuple[int, str | None, pa.ChunkedArray, pa.ChunkedArray]


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
    ahead : takes the rows into memory without a connection, where that can be done.
    ready : after ``stage`` or ``ahead``, the same rows where they are in memory already.
    texts, typed : the rows in memory, as text and as stored columns.
    verdicts : what typing found against rows: (place, column, rows, reasons).
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
    ahead: Callable[[], None] = lambda: None
    ready: Callable[[], pa.Table | None] = lambda: None
    texts: pa.Table | None = None
    typed: pa.Table | None = None
    verdicts: list[Verdicts] = field(default_factory=list)

    @property
    def staged(self) -> str:
        """The view of its text."""
        return f"staged_{self.number}"

    def read_ahead(self) -> bool:
        """Take the rows into memory where that needs no connection; whether they are there."""
        self.ahead()
        self.texts = self.ready()
        return self.texts is not None

    def read(self, connection: duckdb.DuckDBPyConnection) -> int:
        """Take the rows into memory; how many there are."""
        self.stage(connection, self.staged)
        if self.texts is None:
            self.texts = self.ready()
        if self.texts is None:
            names = ", ".join(f'"{column}"' for column in self.columns)
            self.texts = rows_of(
                connection,
                f"select place, file, line, broken, whole_text, {names} from {self.staged}",
            )
        return int(self.texts.num_rows)


def clean(expression: str, *, odd_space: bool = True) -> str:
    """SQL: a text without white space around it, null where nothing is left.

    Parameters
    ----------
    odd_space : there may be white space other than blanks, which takes five times as long.
    """
    return f"nullif(trim({expression}{', ' + STRIPPED if odd_space else ''}), '')"


def create_work_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """The temporary tables every load works in."""
    connection.execute(
        'create temp table verdicts ("row" bigint, place integer, "column" varchar, reason varchar)'
    )
    connection.execute('create temp table duplicates ("row" bigint)')
    connection.execute('create temp table silent ("row" bigint)')
    connection.execute("create temp table silent_jobs (job_id varchar)")
    connection.execute("create temp table source_files (number integer, file varchar)")
    connection.execute('create temp table corrections ("row" bigint)')


def show_source(connection: duckdb.DuckDBPyConnection, source: Source) -> None:
    """``typed_N``: the typed rows of one source, with the columns it does not have."""
    connection.execute("select 1").fetchall()  # a result half read would forbid to register
    connection.register(f"memory_{source.number}", source.typed)
    connection.execute(
        f"create temp view typed_{source.number} as {_typed_fields(source)} "
        f"from memory_{source.number}"
    )


def forget_source(connection: duckdb.DuckDBPyConnection, source: Source) -> None:
    """Let go of the rows of a source that are in memory."""
    connection.execute(f"drop view typed_{source.number}")
    connection.unregister(f"memory_{source.number}")
    source.texts = source.typed = None


def _typed_fields(source: Source) -> str:
    """SQL: the row's number, its place and all stored columns of its table."""
    fields = []
    for column in TABLES[source.table].columns:
        for at, (name, kind) in enumerate(stored_columns(column)):
            value = f'"{name}"'
            if column.name not in source.columns:
                value = f"cast({_default(column) if at == 0 else 'null'} as {kind})"
            fields.append(f'{value} as "{name}"')
    return f'select "row", file, line, {", ".join(fields)}'


def _default(column: Column) -> str:
    value = column.default
    if value is None:
        return "null"
    return f"'{value}'" if isinstance(value, str) else str(value).lower()


def show_typed(connection: duckdb.DuckDBPyConnection, table: str, sources: list[Source]) -> None:
    """``typed_TABLE``: the typed rows of all sources of a table."""
    rows = " union all ".join(f"from typed_{source.number}" for source in sources)
    connection.execute(f"create or replace temp view typed_{table} as {rows}")


def rows_of(connection: duckdb.DuckDBPyConnection, query: str) -> pa.Table:
    """What a query without parameters returns, as columns in memory."""
    connection.execute("select 1").fetchall()  # a result half read would stand in the way
    return connection.sql(query).to_arrow_table()


def note_verdicts(connection: duckdb.DuckDBPyConnection, source: Source) -> None:
    """Write down what typing found against rows of a source."""
    if not source.verdicts:
        return
    frame = pa.concat_tables(
        pa.table({
            "row": rows, "reason": reasons, "place": pa.array(np.full(len(rows), place, np.int32)),
            "column": pa.array([column], pa.string()).take(pa.array(np.zeros(len(rows), np.int32))),
        })
        for place, column, rows, reasons in source.verdicts
    )  # fmt: skip
    source.verdicts.clear()
    connection.execute("select 1").fetchall()  # a result half read would forbid to register
    connection.register("verdicts_in", frame)
    try:
        connection.execute(
            'insert into verdicts select "row", place, "column", reason from verdicts_in'
        )
    finally:
        connection.unregister("verdicts_in")


def rows_alone(connection: duckdb.DuckDBPyConnection, source: Source, rows: np.ndarray) -> None:
    """Temporary tables ``few_staged`` and ``few_typed`` of some rows of a source."""
    assert source.texts is not None
    assert source.typed is not None
    base = source.number * ROW_SPAN
    mine = rows[(rows >= base) & (rows < base + ROW_SPAN)]
    places = source.texts["place"].to_numpy()
    wanted = np.zeros(int(places.max(initial=0)) + 1, dtype=bool)
    wanted[mine - base] = True
    few = pa.array(wanted[places])
    texts, typed = filtered(source.texts, few), filtered(source.typed, few)
    for name, fixed in (("file", constant(source.file, texts.num_rows)), ("line", texts["place"])):
        if name not in texts.column_names:
            texts = texts.append_column(name, fixed)
    named = ", ".join(
        f'"{column.name}"' if column.name in texts.column_names
        else f'null::varchar as "{column.name}"'
        for column in TABLES[source.table].columns
    )  # fmt: skip
    connection.execute("select 1").fetchall()  # a result half read would forbid to register
    connection.register("few_texts_in", texts)
    connection.execute(
        f"create or replace temp table few_staged as select place, file, line, broken, "
        f"whole_text, {named} from few_texts_in"
    )
    connection.unregister("few_texts_in")
    connection.register("few_typed_in", typed)
    connection.execute(
        f"create or replace temp table few_typed as {_typed_fields(source)} from few_typed_in"
    )
    connection.unregister("few_typed_in")


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
