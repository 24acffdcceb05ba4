"""What a session needs to know before it can be asked: its batches, its span, its words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import duckdb

from failstats.errors import InputError
from failstats.vocabulary import Vocabulary
from failstats.warehouse.store import setting

__all__ = [
    "check_batch",
    "check_filter",
    "date_of",
    "last_batch",
    "last_of_units",
    "register_words",
    "span_of",
]

EARLIEST = dt.date(1970, 1, 1)


def last_batch(connection: duckdb.DuckDBPyConnection, as_loaded: int | None) -> int | None:
    """The last batch whose rows count in this session."""
    if as_loaded is not None:
        return as_loaded
    found = connection.execute("select max(batch) from raw.batches").fetchall()[0][0]
    return None if found is None else int(found)


def check_batch(connection: duckdb.DuckDBPyConnection, as_loaded: int | None) -> None:
    if as_loaded is None:
        return
    known = [
        row[0]
        for row in connection.execute(
            "select distinct batch from raw.batches order by 1"
        ).fetchall()
    ]
    if as_loaded not in known:
        raise InputError(
            f"--as-loaded must name a batch of the warehouse, but {as_loaded} is not one.",
            where="known: " + ", ".join(map(str, known[-20:])),
            do="failstats quality lists the batches.",
        )


def span_of(
    connection: duckdb.DuckDBPyConnection, as_loaded: int | None
) -> tuple[str | None, str | None, bool]:
    """First and last day of the records, and whether that end is assumed.

    Of the versions loaded by a batch they are what was stated by then, else the first and the last
    visit or cleaning among them: later loads must not lengthen the time that was watched.
    """
    if as_loaded is None:
        found = [setting(connection, name) for name in ("records_from", "records_to")]
        return found[0], found[1], setting(connection, "records_end_assumed") == "yes"
    row = connection.execute(
        "select min(day)::varchar, max(day)::varchar from ("
        + " union all ".join(
            f"select {day} as day from raw.{table} where batch <= $batch and "
            "(superseded_in is null or superseded_in > $batch)"
            for table, day in (("jobs", "visited_on"), ("cleanings", "cleaned_on"))
        )
        + ")",
        {"batch": as_loaded},
    ).fetchone()
    assert row is not None
    first, last = (
        setting(connection, f"{name}@{as_loaded}") for name in ("records_from", "records_to")
    )
    return first or row[0], last or row[1], last is None


def register_words(connection: duckdb.DuckDBPyConnection, words: Vocabulary) -> None:
    """The vocabulary as a temporary table, for the facts to join."""
    connection.execute(
        "create temp table stg_parts (part varchar, fuels varchar[], on_every_unit boolean, "
        "worn_is_failure boolean, heat_part boolean, silent_modes varchar[], trips varchar)"
    )
    connection.executemany(
        "insert into stg_parts values ($1, $2, $3, $4, $5, $6, $7)",
        [
            (
                part.name,
                list(part.fuels),
                part.on_every_unit,
                part.worn_is_failure,
                part.heat_part,
                list(part.silent_modes),
                part.trips,
            )
            for part in words.parts.values()
        ],
    )


def date_of(value: str | dt.date, option: str) -> dt.date:
    """A date as it is given by an option."""
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(value)
    except ValueError:
        raise InputError(
            f"a date must be written as 2024-06-30, but {option} is {value!r}.",
            where=option,
            do="correct the date.",
        ) from None


def last_of_units(connection: duckdb.DuckDBPyConnection, as_loaded: int | None) -> dt.date:
    """The last day that units alone tell of: where there is no visit yet, all of them are in."""
    row = connection.execute(
        "select greatest(max(installed_on), max(enrolled_on), max(left_on)) from raw.units "
        "where batch <= coalesce($1, batch)",
        [as_loaded],
    ).fetchone()
    return row[0] if row is not None and row[0] is not None else EARLIEST


def check_filter(
    connection: duckdb.DuckDBPyConnection, column: str, given: Sequence[str], option: str
) -> None:
    """Refuse a filter that the records do not have."""
    if not given:
        return
    sql = {
        "family": "select distinct family from raw.units order by 1",
        "fuel": "select distinct fuel from raw.units order by 1",
    }[column]
    known = [row[0] for row in connection.execute(sql).fetchall()]
    unknown = [value for value in given if value not in known]
    if unknown:
        raise InputError(
            f"{option} must name a {column} of the records, but {', '.join(unknown)} is not one.",
            where="known: " + ", ".join(known),
            do="correct the word.",
        )
