"""How what a select returns over separate sets of units makes what it returns over all of them.

Every unit lies in one set, and so does every building. The header key `adds` of a query file says
what to do with the tables of the sets, in clauses between semicolons:

- `rows`: one under the other;
- `distinct`: one under the other, each row once;
- `sums a, b`: columns a and b are added up over rows that agree in all other columns;
- `totals c per d, e`: c is the total of the group (d, e), the same on all rows of it: it is added
  up once for each set (beside `sums`);
- `order x, y desc`: the order of the whole; rows that it leaves equal stay in that of the sets;
- `by unit`: rows of a fact that each set makes and keeps for itself;
- `company`: reads only what has been added up already, so it is asked once, of the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import pyarrow as pa

from failstats.errors import QueryError
from failstats.warehouse.queries import Query

__all__ = ["Adding", "add_up", "adding_of", "of_company"]

KINDS = ("rows", "distinct", "sums", "by unit", "company")


@dataclass(frozen=True, slots=True, kw_only=True)
class Adding:
    """The clauses of one `adds`.

    Attributes
    ----------
    kind : rows, distinct, sums, by unit or company.
    sums : the columns that add up.
    totals : columns that are totals of a group, and `per`, the columns of that group.
    order : (column, falling) pairs.
    """

    kind: str
    sums: tuple[str, ...] = ()
    totals: tuple[str, ...] = ()
    per: tuple[str, ...] = ()
    order: tuple[tuple[str, bool], ...] = ()


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())


def adding_of(query: Query) -> Adding | None:
    """What the header of a query says; None where it says nothing.

    Raises
    ------
    QueryError : a clause that is none of those above.

    >>> from failstats.warehouse.queries import find_query
    >>> adding_of(find_query("lives_kept")).sums
    ('lives', 'failures', 'unit_count')
    """
    if not query.adds:
        return None
    kind = ""
    order: tuple[tuple[str, bool], ...] = ()
    found: dict[str, tuple[str, ...]] = {}
    for clause in query.adds.split(";"):
        word, _, rest = clause.strip().partition(" ")
        if clause.strip() in KINDS:
            kind = clause.strip()
        elif word == "sums":
            kind, found["sums"] = "sums", _words(rest)
        elif word == "totals" and " per " in rest:
            totals, _, per = rest.partition(" per ")
            found["totals"], found["per"] = _words(totals), _words(per)
        elif word == "order":
            pairs = [part.rsplit(" ", 1) for part in _words(rest)]
            order = tuple((pair[0], pair[1:] == ["desc"]) for pair in pairs)
        else:
            kind = ""
            break
    if not kind:
        raise QueryError(
            f"adds is made of rows, distinct, sums …, totals … per …, order …, by unit or company, "
            f"but in {query.name} it is: {query.adds}.",
            where=f"{query.folder}/{query.name}.sql",
            do="correct the header.",
        )
    return Adding(kind=kind, order=order, **found)


def of_company(query: Query) -> bool:
    """Whether a fact tells of all units together, and is kept."""
    adding = adding_of(query) if query.is_kept else None
    return adding is not None and adding.kind in ("sums", "distinct", "company")


def _name(column: str) -> str:
    return '"' + column.replace('"', '""') + '"'


def _list(columns: Sequence[str], prefix: str = "") -> str:
    return ", ".join(prefix + _name(column) for column in columns)


def add_up(
    tables: Sequence[pa.Table], adding: Adding, connection: duckdb.DuckDBPyConnection
) -> duckdb.DuckDBPyRelation:
    """The tables of separate sets of units as the one table of all of them.

    Parameters
    ----------
    tables : (n,) one of each set, in the order of the sets; all with the same columns.
    connection : where the adding is done.

    Returns
    -------
    The rows, with the columns and types that the select has.

    Raises
    ------
    QueryError : a column that is to be added up is not there, or the sets differ in columns.
    """
    columns = tables[0].column_names
    if any(table.schema != tables[0].schema for table in tables):
        raise QueryError(
            "the sets of units must give the same columns, but they differ.",
            do="write all of them with one failstats.",
        )
    named = {*adding.sums, *adding.totals, *adding.per, *(column for column, _ in adding.order)}
    unknown = sorted(named - set(columns))
    if unknown:
        raise QueryError(
            f"adds names {', '.join(unknown)}, but the select returns {', '.join(columns)}.",
            do="correct the header of the query.",
        )
    numbered = pa.concat_tables(
        [
            table.append_column("_set", pa.array(np.full(len(table), number)))
            for number, table in enumerate(tables)
        ]
    )
    numbered = numbered.append_column("_row", pa.array(np.arange(len(numbered))))
    connection.register("_sets", numbered)
    order = [f"{_name(column)}{' desc' if falling else ''}" for column, falling in adding.order]
    if adding.kind == "sums":
        sql = _sums(columns, adding, connection)
    elif adding.kind == "distinct":
        sql = f"select distinct {_list(columns)} from _sets"
        order = order or [_name(column) for column in columns]
    else:
        sql = "select * from _sets"
        order.append("_row")
    ordered = f" order by {', '.join(order)}" if order else ""
    return connection.sql(f"select {_list(columns)} from ({sql}){ordered}")


def _sums(columns: Sequence[str], adding: Adding, connection: duckdb.DuckDBPyConnection) -> str:
    """Sums keep the type of what is added; blanks make a group like any other value."""
    kinds = dict(
        connection.execute("select column_name, column_type from (describe _sets)").fetchall()
    )
    keys = [name for name in columns if name not in (*adding.sums, *adding.totals)]
    added = ", ".join(
        f"cast(sum({_name(name)}) as {kinds[name]}) as {_name(name)}" for name in adding.sums
    )
    grouped = f" group by {_list(keys)}" if keys else ""
    head = f"{_list(keys)}, " if keys else ""
    sql = f"select {head}{added} from _sets{grouped}"
    if not adding.totals:
        return sql
    once = ", ".join(f"any_value({_name(name)}) as {_name(name)}" for name in adding.totals)
    total = ", ".join(
        f"cast(sum({_name(name)}) as {kinds[name]}) as {_name(name)}" for name in adding.totals
    )
    per = _list(adding.per)
    same = " and ".join(
        f"total.{_name(name)} is not distinct from added.{_name(name)}" for name in adding.per
    )
    return (
        f"select added.*, {_list(adding.totals, 'total.')} from ({sql}) as added inner join ("
        f"select {per}, {total} from (select {per}, _set, {once} from _sets group by {per}, _set) "
        f"group by {per}) as total on {same}"
    )
