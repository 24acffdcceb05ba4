"""From text to typed columns: every spelling is read once, the rows only hold its number.

``type_rows`` takes a source's rows in memory (text as written, clean, null where blank) and makes
its stored columns. It needs no connection, so that it can run beside one.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pyarrow as pa
import pyarrow.compute as compute

from failstats.errors import InputError
from failstats.intake.columns import coded, constant, listed, recoded, spellings, taken
from failstats.intake.convert import ERROR_CELL, SHEET_ERRORS, Converter, Dialect, date_orders
from failstats.intake.privacy import (
    LONGEST_TEXT,
    identifying,
    is_hash,
    looks_identifying,
    refuse_identifiers,
    suspicious,
)
from failstats.intake.staged import ROW_SPAN, Source
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import TABLES, Column, Table, stored_columns

__all__ = ["type_rows"]

ARROW = {
    "DATE": pa.date32(), "BOOLEAN": pa.bool_(), "INTEGER": pa.int32(), "DOUBLE": pa.float64(),
    "DECIMAL(14,4)": pa.decimal128(14, 4), "VARCHAR": pa.string(),
}  # fmt: skip


def type_rows(source: Source, vocabulary: Vocabulary, today: dt.date) -> None:
    """Read the spellings of every column of a source, and make its typed rows.

    Reasons go to its verdicts; a reason does not stop the other columns from being read.
    """
    table = TABLES[source.table]
    assert source.texts is not None
    kept = [c.name for c in table.columns if c.name in source.columns
            and (c.kind == "text" or (c.kind == "id" and source.key is None))]  # fmt: skip
    texts = {name: source.texts[name] for name in source.texts.column_names}
    for column in table.columns:
        if column.name in texts and not (column.kind == "id" and source.key is None):
            texts[column.name] = coded(texts[column.name])
    dialect = _settled(source, table, texts)
    suspects = [name for name in kept if suspicious(texts[name])]
    lines = texts.get("line", texts["place"])
    refuse_identifiers({name: texts[name] for name in suspects}, lines, source.file)
    broken = texts["broken"]
    _note(source, 0, None, broken, [str(text) for text in listed(coded(broken))])
    converter = Converter(dialect, vocabulary, today)
    made: dict[str, pa.ChunkedArray | pa.Array] = {
        "row": compute.add(texts["place"], source.number * ROW_SPAN),
        "file": texts.get("file", constant(source.file, source.texts.num_rows)),
        "line": lines,
    }
    for place, column in enumerate(table.columns, start=1):
        if column.name not in texts:
            continue
        if column.name in kept:
            made[column.name] = _without_long(source, place, column, texts)
        elif column.kind == "id":
            made[column.name] = _pseudonyms(source, column, texts[column.name])
        else:
            made |= _read(source, place, column, texts[column.name], converter)
    source.typed = pa.table(made)
    _refuse_blanks(source, table)


def _note(source: Source, place: int, column: str | None,
          words: pa.ChunkedArray, reasons: list[str | None]) -> None:  # fmt: skip
    """A verdict on every row whose spelling has a reason against it."""
    if not any(reason is not None for reason in reasons):
        return
    assert source.texts is not None
    told = recoded(coded(words), reasons)
    refused = told.is_valid()
    rows = compute.add(source.texts["place"].filter(refused), source.number * ROW_SPAN)
    source.verdicts.append((place, column, rows, told.filter(refused).cast(pa.string())))


def _without_long(
    source: Source,
    place: int,
    column: Column,
    texts: dict[str, pa.ChunkedArray],
) -> pa.ChunkedArray:
    """Free text is not loaded; the row goes to quarantine without it."""
    words = texts[column.name]
    reason = f"{column.name} must be at most {LONGEST_TEXT} characters: free text is not loaded"
    if not pa.types.is_dictionary(words.type):
        lengths = compute.utf8_length(words)
        marked = compute.any(compute.starts_with(words, "#")).as_py()
        if (compute.max(lengths).as_py() or 0) <= LONGEST_TEXT and not marked:
            return words
        words = coded(words)
    told = listed(words)
    is_long = [len(text or "") > LONGEST_TEXT for text in told]
    wrong = f"{column.name} {ERROR_CELL}"
    _note(source, place, column.name, words, [
        reason if one else wrong if (text or "").upper() in SHEET_ERRORS else None
        for text, one in zip(told, is_long, strict=True)
    ])  # fmt: skip
    shown = [None if one else text for text, one in zip(told, is_long, strict=True)]
    return recoded(words, shown, for_sql=True)


def _read(source: Source, place: int, column: Column,
          words: pa.ChunkedArray, converter: Converter) -> dict[str, pa.ChunkedArray]:  # fmt: skip
    """The stored columns of one column; refused spellings go to ``verdicts``."""
    texts, used = spellings(words)
    stored = stored_columns(column)
    values: list[list[str | None]] = [[] for _ in stored]
    reasons: list[str | None] = []
    for text, is_used in zip(texts, used, strict=True):
        found: tuple[str | None, ...] = (None,) * len(stored)
        reason = None
        if is_used and text is not None:
            found, reason = converter.convert(column, text)
            if reason is not None and (what := looks_identifying(text)):
                _refuse(source, column, text, what)
        reasons.append(reason)
        for at, value in enumerate(found):
            values[at].append(value)
    _note(source, place, column.name, words, reasons)
    made = {}
    for at, (name, kind) in enumerate(stored):
        default = column.default if at == 0 else None
        if kind == "VARCHAR":
            made[name] = recoded(words, values[at], blank=default, for_sql=True)  # type: ignore[arg-type]
        else:
            cast = pa.array(values[at], pa.string()).cast(ARROW[kind])
            made[name] = taken(words, cast, default)
    return made


def _refuse(source: Source, column: Column, text: str,
            what: str) -> None:  # fmt: skip
    assert source.texts is not None
    found = compute.equal(source.texts[column.name].cast(pa.string()), text)
    lines = source.texts["line" if "line" in source.texts.column_names else "place"]
    lines = np.sort(lines.filter(found).to_numpy())
    raise identifying(column.name, what, source.file, lines[:5].tolist(), len(lines))


def _pseudonyms(source: Source, column: Column, words: pa.ChunkedArray) -> pa.ChunkedArray:
    assert source.key is not None
    made: list[str | None] = []
    for text in listed(words):
        ready = text is None or (source.from_quarantine and is_hash(text))
        made.append(text if ready else source.key.hash(column.name, str(text)))
    return recoded(words, made, for_sql=True)


def _refuse_blanks(source: Source, table: Table) -> None:
    """What is needed must be there; what was there and unreadable has its own reason."""
    assert source.typed is not None
    for place, column in enumerate(table.columns, start=1):
        if not column.required:
            continue
        values = source.typed[stored_columns(column)[0][0]]
        if not values.null_count:
            continue
        rows = source.typed["row"].filter(values.is_null()).to_numpy()
        told = [found[2].to_numpy() for found in source.verdicts
                if found[0] == 0 or found[1] == column.name]  # fmt: skip
        blank = rows[~np.isin(rows, np.concatenate(told))] if told else rows
        if len(blank):
            reason = pa.chunked_array([pa.array([f"{column.name} must be given"] * len(blank))])
            source.verdicts.append((place, column.name, pa.chunked_array([blank]), reason))


def _settled(source: Source, table: Table, texts: dict[str, pa.ChunkedArray]) -> Dialect:
    """The dialect with the order of every date column settled by the column as a whole."""
    orders = dict(source.dialect.date_order)
    for column in table.columns:
        stated = source.dialect.order(column.name)
        if column.kind != "date" or column.name not in source.columns or stated:
            continue
        dates, used = spellings(texts[column.name])
        proved, either = date_orders(
            [text for text, one in zip(dates, used, strict=True) if one and text is not None]
        )
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
