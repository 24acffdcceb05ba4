"""What makes a row unusable, a duplicate or a correction; and putting the rest into the warehouse.

Tables are settled parents first. A verdict is a reason against a row; a row with any verdict goes
to quarantine whole. All functions work on the temporary tables of ``staged``.
"""

from __future__ import annotations

import duckdb
import numpy as np

from failstats.intake.staged import ROW_SPAN, Source, canonical, rows_alone, rows_of
from failstats.warehouse.schema import TABLES, Column, Table, stored_columns

__all__ = [
    "NEEDS_PARENT", "ORDER", "WAITING", "call_out_units_for_orphans", "create_call_out_units",
    "key_of", "retire", "settle", "store",
]  # fmt: skip

# parents before children
ORDER = ("vans", "catalogue", "units", "periods", "jobs", "lines", "cleanings", "carried")
WAITING = "waits: "  # how the reason of a row begins that only lacks its parent
PLACE_ROW, PLACE_PARENT, PLACE_KEY = 100, 200, 300

# a date of one row against another date of the same row: (column, not before)
ROW_DATES = {
    "units": (("left_on", "installed_on"), ("enrolled_on", "installed_on"),
              ("left_on", "enrolled_on")),
    "periods": (("left_on", "enrolled_on"),),
}  # fmt: skip
# a date of a child against the installation of its unit
CHILD_DATES = {"periods": "enrolled_on", "jobs": "visited_on", "cleanings": "cleaned_on"}
# children that cannot be kept without their parent
NEEDS_PARENT = {"periods": "unit_id", "lines": "job_id", "cleanings": "unit_id"}


def names_of(table: Table) -> list[str]:
    """The stored columns of a table, in order."""
    return [name for column in table.columns for name, _ in stored_columns(column)]


def key_of(table: Table) -> list[str]:
    """The stored columns of its key."""
    by_name = {column.name: column for column in table.columns}
    return [name for key in table.key for name, _ in stored_columns(by_name[key])]


def _tuple(names: list[str], alias: str) -> str:
    return "row(" + ", ".join(f'{alias}."{name}"' for name in names) + ")"


def _same(names: list[str], left: str, right: str) -> str:
    return " and ".join(f'{left}."{name}" is not distinct from {right}."{name}"' for name in names)


def settle(connection: duckdb.DuckDBPyConnection, name: str, sources: list[Source]) -> None:
    """All verdicts on the rows of one table, its duplicates and its corrections."""
    table = TABLES[name]
    _row_dates(connection, table)
    _parents(connection, table)
    _keys(connection, table, sources)


def _row_dates(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    for column, earliest in ROW_DATES.get(table.name, ()):
        connection.execute(
            f"insert into verdicts select \"row\", {PLACE_ROW}, '{column}', "
            f"'{column} must be on or after {earliest}, but ' || {column} || ' is before ' || "
            f"{earliest} from typed_{table.name} where {column} < {earliest}"
        )


def _parents(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Rows whose parent is not there, or was not there yet on that day."""
    day = CHILD_DATES.get(table.name)
    for key, parent in table.parents.items():
        one = parent.removesuffix("s")
        dated = day is not None and parent == "units"
        parents = f"(from raw.{parent} where superseded_in is null) as parent using ({key})"
        if dated:
            found = (
                f'select child."row", child.{key}, parent.{key} is null as absent, '
                f"parent.installed_on as since, child.{day} as day "
                f"from typed_{table.name} as child "
                f"left join {parents} where child.{key} is not null and (parent.{key} is null "
                f"or child.{day} < parent.installed_on)"
            )
        else:
            found = (
                f'select "row", {key}, true as absent from typed_{table.name} as child '
                f"anti join {parents} where {key} is not null"
            )
        connection.execute(f"create or replace temp table unsettled as {found}")
        connection.execute(
            f'create or replace temp table waits as select "row", {key} in (select '
            f"content->>'{key}' from raw.quarantine where \"table\" = '{parent}' and "
            f"released_in is null and content->>'{key}' is not null) as held "
            "from unsettled where absent"
        )
        connection.execute(
            f"insert into verdicts select \"row\", {PLACE_PARENT}, '{key}', "
            f"'{WAITING}its {one} is in quarantine' from waits where held"
        )
        if table.name in NEEDS_PARENT:
            connection.execute(
                f"insert into verdicts select \"row\", {PLACE_PARENT}, '{key}', "
                f"'{WAITING}its {one} is not in the warehouse' from waits where not held"
            )
        if dated:
            connection.execute(
                f"insert into verdicts select \"row\", {PLACE_ROW}, '{day}', "
                f"'{day} must be on or after installed_on of its unit, but ' || day || "
                "' is before ' || since from unsettled where not absent"
            )


def _keys(connection: duckdb.DuckDBPyConnection, table: Table, sources: list[Source]) -> None:
    _prefer_fresh(connection, table, sources)
    _repeated(connection, table, sources)
    _known(connection, table)


USABLE = '"row" not in (select "row" from verdicts union all select "row" from duplicates)'


def _prefer_fresh(
    connection: duckdb.DuckDBPyConnection, table: Table, sources: list[Source]
) -> None:
    """A row out of quarantine that a file brings again is a duplicate of the file's."""
    held = [source.number for source in sources if source.from_quarantine]
    if not held or len(held) == len(sources):
        return
    connection.execute(
        f"insert into duplicates with usable as (select * from typed_{table.name} where {USABLE}) "
        f'select older."row" from usable as older semi join '
        f'(from usable where not list_contains($held, "row" // {ROW_SPAN})) as fresh '
        f"on {_same(key_of(table), 'older', 'fresh')} "
        f'where list_contains($held, older."row" // {ROW_SPAN})',
        {"held": held},
    )


def _repeated(connection: duckdb.DuckDBPyConnection, table: Table, sources: list[Source]) -> None:
    """One key twice in this load: duplicates where the content is the same, else refused."""
    key, names = key_of(table), names_of(table)
    keys = ", ".join(f'"{name}"' for name in key)
    rows = _perhaps_repeated(connection, table)
    if not len(rows):
        return
    connection.execute(f"create or replace temp table several as from typed_{table.name} limit 0")
    connection.execute('create or replace temp table blank_position ("row" bigint)')
    for source in sources:
        rows_alone(connection, source, rows)
        connection.execute("insert into several by name select * from few_typed")
        if table.name == "lines":
            connection.execute(
                f"insert into blank_position select {source.number * ROW_SPAN} + place "
                "from few_staged where position is null and broken is null"
            )
    connection.execute(
        "create or replace temp table repeated as with counted as (select several.*, "
        f"{_tuple(names, 'several')} as content, count(*) over same_key as alike, "
        "count(*) over same_content as identical from several window "
        f"same_key as (partition by {keys}), "
        f"same_content as (partition by {_tuple(names, 'several')})) "
        'select "row", content, alike, identical, "row" in (from blank_position) '
        "as blank_position from counted where alike > 1"
    )
    connection.execute(
        f"insert into verdicts select \"row\", {PLACE_KEY}, 'position', "
        "'position must be given where a job names one part more than once' from repeated "
        "where blank_position"
    )
    connection.execute(
        f"insert into verdicts select \"row\", {PLACE_KEY}, '{table.key[0]}', "
        f"'{' + '.join(table.key)} must stand for one row, but ' || alike || "
        "' rows of this load differ in content' from repeated "
        "where alike > identical and not blank_position"
    )
    connection.execute(
        'insert into duplicates select "row" from (select "row", row_number() over '
        '(partition by content order by "row") as turn from repeated '
        "where alike = identical and not blank_position) where turn > 1"
    )


def _perhaps_repeated(connection: duckdb.DuckDBPyConnection, table: Table) -> np.ndarray:
    """Usable rows whose key may stand in another one too: all that do, hardly any that do not."""
    keys = ", ".join(f'"{name}"' for name in key_of(table))
    found = rows_of(
        connection, f'select "row", hash({keys}) as mark from typed_{table.name} where {USABLE}'
    )
    marks = found["mark"].to_numpy()
    ordered = np.sort(marks)
    twice = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    if not len(twice):
        return twice
    # by sorting: numpy 2.0 cannot look large hashes up in a table
    return found["row"].to_numpy()[np.isin(marks, twice, kind="sort")]


def _known(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """A key that the warehouse has: a duplicate where the content is the same, else corrected."""
    found = connection.execute(f"select count(*) from raw.{table.name}").fetchone()
    if found is None or not found[0]:
        return
    names = names_of(table)
    connection.execute(
        'create or replace temp table known as select typed."row" as "row", '
        f"{_tuple(names, 'typed')} is not distinct from {_tuple(names, 'old')} as same "
        f"from (from typed_{table.name} where {USABLE}) as typed join raw.{table.name} as old "
        f"on {_same(key_of(table), 'old', 'typed')} where old.superseded_in is null"
    )
    connection.execute('insert into duplicates select "row" from known where same')
    connection.execute('insert into corrections select "row" from known where not same')


def store(connection: duckdb.DuckDBPyConnection, name: str, batch: int,
          sources: list[Source]) -> int:  # fmt: skip
    """Supersede what is corrected, add the good rows, put the rest into quarantine.

    Returns
    -------
    How many rows were added.
    """
    table = TABLES[name]
    names = ", ".join(f'"{column}"' for column in names_of(table))
    on_key = _same(key_of(table), "old", "typed")
    corrections = connection.execute("select count(*) from corrections").fetchone()
    if corrections and corrections[0]:
        connection.execute(
            f"update raw.{name} as old set superseded_in = $batch from typed_{name} as typed "
            f"where old.superseded_in is null and {on_key} and "
            'typed."row" in (select "row" from corrections)',
            {"batch": batch},
        )
    stored = connection.execute(
        f"insert into raw.{name} ({names}, batch, file, line, superseded_in) "
        f"select {names}, $batch, file, line, null from typed_{name} "
        'where "row" not in (select "row" from verdicts union all select "row" from duplicates)',
        {"batch": batch},
    ).fetchone()
    for source in sources:
        _quarantine(connection, table, source, batch)
    return int(stored[0]) if stored else 0


def _quarantine(connection: duckdb.DuckDBPyConnection, table: Table, source: Source,
                batch: int) -> None:  # fmt: skip
    low = source.number * ROW_SPAN
    rows = connection.execute(
        'select distinct "row" from verdicts where "row" >= $1 and "row" < $2',
        [low, low + ROW_SPAN],
    ).fetchnumpy()["row"]
    if not len(rows):
        return
    rows_alone(connection, source, rows)
    pairs = []
    for column in table.columns:
        raw = f'staged."{column.name}"'
        if column.kind in ("id", "text"):  # hashed where there is a key; no long text
            raw = f'typed."{column.name}"'
        written = f"coalesce({canonical(column, 'typed')}, {raw})"
        pairs.append(f"'{column.name}', case when {raw} is not null then {written} end")
    whole = "'text', staged.whole_text"
    connection.execute(
        'insert into raw.quarantine with told as (select "row", '
        'arg_min("column", place) as first_column, list(reason order by place) as reasons '
        f'from verdicts where "row" // {ROW_SPAN} = $number group by "row") '
        f"select $batch, $table, staged.file, staged.line, first_column, reasons, "
        'case when told."row" in (select "row" from silent) then json_object() '
        f"when staged.broken is null then json_object({', '.join(pairs)}) "
        f"else json_object({whole}) end, null "
        f'from told join few_staged as staged on told."row" = $number * {ROW_SPAN} + place '
        'join few_typed as typed on typed."row" = told."row" order by told."row"',
        {"batch": batch, "table": table.name, "number": source.number},
    )


def retire(connection: duckdb.DuckDBPyConnection, name: str, batch: int) -> None:
    """Close what earlier batches left in quarantine and this one has brought in, or again.

    A row of the same key that is good now replaces the refused one; a row refused again for the
    same reasons, with the same content, is listed once.
    """
    open_before = connection.execute(
        'select count(*) from raw.quarantine where "table" = $1 and batch < $2 and '
        "released_in is null",
        [name, batch],
    ).fetchone()
    if open_before is None or not open_before[0]:
        return
    table = TABLES[name]
    by_name = {column.name: column for column in table.columns}
    same = " and ".join(
        f"{_told(by_name[key])} is not distinct from {canonical(by_name[key], 'good')}"
        for key in table.key
    )
    connection.execute(
        f"update raw.quarantine as held set released_in = $batch from raw.{name} as good "
        f"where held.\"table\" = '{name}' and held.released_in is null and held.batch < $batch "
        f"and good.batch = $batch and {same}",
        {"batch": batch},
    )
    connection.execute(
        "update raw.quarantine as held set released_in = $batch from raw.quarantine as again "
        f"where held.\"table\" = '{name}' and again.\"table\" = '{name}' "
        "and held.released_in is null and held.batch < $batch and again.batch = $batch "
        "and held.reasons = again.reasons and held.content::varchar = again.content::varchar "
        f"and again.content->>'{table.key[0]}' is not null",
        {"batch": batch},
    )


def _told(column: Column) -> str:
    """SQL: what quarantine holds of a key column, its default where it was blank."""
    told = f"held.content->>'{column.name}'"
    if column.default is None:
        return told
    return f"coalesce({told}, '{column.default}')"


def _unknown_unit() -> str:
    """SQL: the defaults of a unit that nobody listed."""
    return ", ".join(
        f'{_literal(column.default)} as "{stored_columns(column)[0][0]}"'
        for column in TABLES["units"].columns
        if column.default is not None
    )


NOT_LISTED = (
    "a job names a unit that no units row lists; it is kept as a call-out unit of family unknown"
)


def create_call_out_units(connection: duckdb.DuckDBPyConnection, batch: int) -> int:
    """A call-out unit of family ``unknown`` for every usable job whose unit nobody listed."""
    connection.execute(
        "create or replace temp table made as select unit_id, 'unknown' as family, "
        f"{_unknown_unit()}, $batch as batch, "
        'arg_min(file, "row") as file, arg_min(line, "row") as line from typed_jobs where "row" in '
        '(select "row" from unsettled where absent) and "row" not in (select "row" from verdicts) '
        "group by unit_id",
        {"batch": batch},
    )
    return _add_made(connection)


def call_out_units_for_orphans(connection: duckdb.DuckDBPyConnection) -> int:
    """The same for jobs in the warehouse whose unit was taken out."""
    connection.execute(
        "create or replace temp table made as select unit_id, 'unknown' as family, "
        f"{_unknown_unit()}, min(batch) as batch, arg_min(file, row(batch, line)) as file, "
        "arg_min(line, row(batch, line)) as line from raw.jobs where superseded_in is null and "
        "unit_id not in (select unit_id from raw.units where superseded_in is null) "
        "group by unit_id"
    )
    return _add_made(connection)


def _add_made(connection: duckdb.DuckDBPyConnection) -> int:
    connection.execute("insert into raw.units by name select * from made")
    connection.execute(
        "insert into raw.remarks select batch, 'units', file, line, 'unit_not_listed', $1 "
        "from made",
        [NOT_LISTED],
    )
    row = connection.execute("select count(*) from made").fetchone()
    return int(row[0]) if row else 0


def _literal(value: object) -> str:
    return f"'{value}'" if isinstance(value, str) else str(value).lower()
