"""Rows come out of quarantine: written out, corrected by a person, or freed by their parent.

What is kept of a quarantined row is written so that it reads back without the mapping: whatever
could be read stands in our own units and words, the rest as it was given, ids as pseudonyms
where there is a key.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import duckdb

from failstats.errors import InputError
from failstats.intake.convert import Dialect
from failstats.intake.csv_lines import open_csv
from failstats.intake.formats import RowFile, sheet_names, xlsx_sheet
from failstats.intake.privacy import Key
from failstats.intake.rules import WAITING
from failstats.intake.staged import Source, clean
from failstats.warehouse.schema import TABLES, Table
from failstats.warehouse.store import connect_readonly

__all__ = ["release", "requeued_sources", "waiting_source", "write_quarantine"]

PLACE = ("batch", "file", "line")  # which row of quarantine, beside its table
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would run


def write_quarantine(warehouse: Path, folder: Path, *, kind: str = "csv") -> list[Path]:
    """Write what is in quarantine as one file per table, to be corrected and loaded again.

    Parameters
    ----------
    warehouse : the warehouse file.
    folder : where ``quarantine_TABLE.csv`` (or ``.xlsx``) goes; made if there is none.
    kind : ``csv`` or ``xlsx``.

    Returns
    -------
    The files written; ``load(requeue=FILE)`` takes one of them back.

    Raises
    ------
    InputError : a file is there already that somebody may have corrected.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written: dict[Path, list[list[str]]] = {}
    with connect_readonly(Path(warehouse)) as connection:
        for table in TABLES.values():
            rows = connection.execute(
                "select batch, file, line, reasons, content from raw.quarantine "
                'where "table" = $1 and released_in is null order by batch, file, line',
                [table.name],
            ).fetchall()
            if not rows:
                continue
            path = folder / f"quarantine_{table.name}.{kind}"
            names = [column.name for column in table.columns]
            lines = [["table", *PLACE, "reasons", *names]]
            for batch, file, line, reasons, content in rows:
                kept = json.loads(content)
                told = [table.name, str(batch), file, str(line), "; ".join(reasons)]
                lines.append([*told, *(kept.get(name) or "" for name in names)])
            written[path] = lines
    there = [path.name for path in written if path.exists()]
    if there:
        raise InputError(
            "rows of quarantine are never written over a file, for it may hold corrections, but "
            f"{', '.join(there)} {'is' if len(there) == 1 else 'are'} there.",
            where=str(folder),
            do="name another folder, or take the old files back with load --requeue and remove "
            "them.",
        )
    for path, lines in written.items():
        _write_lines(path, lines)
    return list(written)


def _write_lines(path: Path, lines: list[list[str]]) -> None:
    """Text stays text: nothing in a cell is run as a formula or turned into a date."""
    if path.suffix == ".csv":
        with path.open("w", encoding="utf-8-sig", newline="") as handle:
            csv.writer(handle).writerows([_escaped(text) for text in line] for line in lines)
        return
    import xlsxwriter

    with xlsxwriter.Workbook(str(path), {"constant_memory": True}) as book:
        sheet = book.add_worksheet(path.stem[:31])
        as_text = book.add_format({"num_format": "@"})
        for at, line in enumerate(lines):
            for place, text in enumerate(line):
                sheet.write_string(at, place, _escaped(text), as_text)


def _escaped(text: str) -> str:
    return "'" + text if text.startswith((*FORMULA, "'")) else text


def _plain(expression: str) -> str:
    """SQL that takes the apostrophe off again."""
    return f"regexp_replace({expression}, '^''([=+@\t\r''-])', '\\1')"


def _create_open(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute(
        'create temp table if not exists taken_out (batch integer, "table" varchar, file varchar, '
        "line bigint)"
    )


_NOWHERE = (
    " or not exists (from raw.quarantine as parent where parent.\"table\" = 'units' and "
    "parent.released_in is null and parent.content->>'unit_id' = quarantine.content->>'unit_id')"
)


def waiting_source(
    connection: duckdb.DuckDBPyConnection, table: str, key: Key | None
) -> Source | None:
    """The rows of one table that waited for a parent which is in the warehouse now."""
    spec = TABLES[table]
    ready = " and ".join(
        f"(content->>'{name}' is null or content->>'{name}' in (select {name} from raw.{parent} "
        "where superseded_in is null)" + (_NOWHERE if table == "jobs" else "") + ")"
        # a unit that is nowhere any more is made anew by its job
        for name, parent in spec.parents.items()
    )
    held = connection.execute(
        'select count(*) from raw.quarantine where "table" = $1 and released_in is null', [table]
    ).fetchone()
    if not ready or held is None or not held[0]:
        return None
    _create_open(connection)
    name = f"waiting_{table}"
    fields = ", ".join(f"content->>'{column.name}' as \"{column.name}\"" for column in spec.columns)
    connection.execute(
        f"create temp table {name} as select row_number() over (order by batch, file, line) as "
        f"place, batch as was_in, file, line, null::varchar as broken, null::varchar as "
        f'whole_text, {fields} from raw.quarantine where "table" = $table and released_in is '
        f"null and len(list_filter(reasons, lambda reason: not starts_with(reason, $waiting))) = 0 "
        f"and {ready} and not exists (from taken_out as gone where gone.batch = quarantine.batch "
        'and gone."table" = quarantine."table" and gone.file = quarantine.file '
        "and gone.line = quarantine.line)",
        {"table": table, "waiting": WAITING},
    )
    row = connection.execute(f"select count(*), min(was_in) from {name}").fetchone()
    if row is None or not row[0]:
        return None
    connection.execute(f"insert into taken_out select was_in, $1, file, line from {name}", [table])
    return _source(spec, f"quarantine ({table} that waited)", name, key, "")


def _source(table: Table, file: str, ready: str, key: Key | None, sha256: str) -> Source:
    def stage(connection: duckdb.DuckDBPyConnection, name: str) -> None:
        connection.execute(f"create temp view {name} as from {ready}")

    return Source(
        table=table.name, file=file, sha256=sha256, dialect=Dialect(), stage=stage,
        columns=tuple(column.name for column in table.columns), key=key, from_quarantine=True,
    )  # fmt: skip


def requeued_sources(
    connection: duckdb.DuckDBPyConnection, path: Path, key: Key | None, folder: Path
) -> tuple[list[Source], list[str]]:
    """The corrected rows of a file written by ``write_quarantine`` (CSV, or XLSX with one sheet).

    A row that has come in since the file was written (its parent was corrected first) is left
    alone: the file may be older than what is known of it.

    Returns
    -------
    (sources, a note on rows left alone)

    Raises
    ------
    InputError : a row was never in quarantine or was refused again, or stands in the file twice.
    """
    opened = _open(path, folder)
    if opened is None:
        raise InputError(
            "there must be corrected rows to load, but the file has none.",
            where=path.name,
            do="name the corrected file. Nothing was changed.",
        )
    titles = {title.lower(): at for at, title in enumerate(opened.header)}
    opened.stage(connection, "requeue_in")
    table = _one_table(connection, opened, titles)
    allowed = {"table", *PLACE, "reasons", *(column.name for column in table.columns)}
    unknown = set(titles) - allowed
    missing = {"table", *PLACE} - set(titles)
    if unknown or missing:
        raise InputError(
            f"a file of corrected rows must keep its columns, but {len(unknown)} "
            f"are new and {len(missing)} are missing.",
            where=f"{path.name}, header",
            do="keep the columns as they were written out.",
        )
    notes = _check_places(connection, table, titles, path.name)
    left = connection.execute("select count(*) from requeue_left").fetchone()
    if left is None or not left[0]:
        return [], notes
    fields = ", ".join(
        (clean(_plain(f"c{titles[c.name]}")) if c.name in titles else "null::varchar")
        + f' as "{c.name}"'
        for c in table.columns
    )
    ready = f"requeue_{table.name}"
    file = _plain(f"c{titles['file']}")
    connection.execute(
        f"create temp table {ready} as select place, {file} as file, "
        f"cast(c{titles['line']} as bigint) as line, null::varchar as broken, null::varchar as "
        f"whole_text, {fields} from requeue_left"
    )
    _create_open(connection)
    connection.execute(
        f"insert into taken_out select cast(c{titles['batch']} as integer), $1, "
        f"{file}, cast(c{titles['line']} as bigint) from requeue_left",
        [table.name],
    )
    return [_source(table, path.name, ready, key, opened.sha256)], notes


def _open(path: Path, folder: Path) -> RowFile | None:
    if not path.is_file():
        raise InputError("a file of corrected rows must exist, but this one does not.",
                         where=str(path), do="correct the path.")  # fmt: skip
    if path.name.lower().endswith(".xlsx"):
        return xlsx_sheet(path, sheet_names(path)[0])
    return open_csv(path, folder, wanted=[frozenset({"table", *PLACE})])


def _one_table(connection: duckdb.DuckDBPyConnection, opened: RowFile,
               titles: dict[str, int]) -> Table:  # fmt: skip
    if "table" in titles:
        names = connection.execute(f"select distinct c{titles['table']} from requeue_in").fetchall()
        if len(names) == 1 and names[0][0] in TABLES:
            return TABLES[names[0][0]]
    raise InputError(
        "corrected rows must be of one known table, but these are not.",
        where=f"{opened.label}, column table",
        do="load one file per table, as they were written out.",
    )


def _check_places(connection: duckdb.DuckDBPyConnection, table: Table, titles: dict[str, int],
                  label: str) -> list[str]:  # fmt: skip
    file = _plain(f"c{titles['file']}")
    connection.execute(
        "create temp table requeue_places as with given as (select place, broken, "
        f"try_cast(c{titles['batch']} as integer) as batch, "
        f"{file} as file, try_cast(c{titles['line']} as bigint) as line "
        "from requeue_in), counted as (select *, count(*) over (partition by batch, file, line) "
        'as times from given), here as (select * from raw.quarantine where "table" = $1), '
        "found as (select held.batch, held.file, held.line, held.released_in is null as waits, "
        "exists (from here as again where again.batch = held.released_in and "
        "again.file = held.file and again.line = held.line and again.released_in is null) "
        "as refused from here as held) "
        "select place, broken is null and times = 1 and coalesce(waits or not refused, false) as "
        "known, coalesce(not waits, false) as gone from counted left join found "
        "using (batch, file, line)",
        [table.name],
    )
    strange = connection.execute(
        "select place from requeue_places where not known order by place"
    ).fetchall()
    if strange:
        shown = ", ".join(str(row[0]) for row in strange[:5])
        raise InputError(
            f"every corrected row must be in quarantine once, but {len(strange):,} are not (or not "
            "any more).",
            where=f"{label}, lines {shown}",
            do="write the quarantine out again and correct that. Nothing was changed.",
        )
    gone = connection.execute("select place from requeue_places where gone").fetchall()
    connection.execute(
        "create temp view requeue_left as from requeue_in where place not in "
        "(select place from requeue_places where gone)"
    )
    if not gone:
        return []
    shown = ", ".join(str(place) for place in sorted(row[0] for row in gone)[:5])
    one = len(gone) == 1
    return [
        f"{label}: {len(gone):,} row{'' if one else 's'} {'has' if one else 'have'} come in since "
        f"it was written and {'is' if one else 'are'} left alone (line{'' if one else 's'} {shown})"
    ]


def release(connection: duckdb.DuckDBPyConnection, batch: int) -> None:
    """Mark what was taken out of quarantine in this batch."""
    _create_open(connection)
    connection.execute(
        "update raw.quarantine as held set released_in = $1 from taken_out as gone "
        'where held.batch = gone.batch and held."table" = gone."table" and held.file = gone.file '
        "and held.line = gone.line and held.released_in is null and held.batch < $1",
        [batch],
    )
