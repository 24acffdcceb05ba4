"""Rows of a query as a data frame in which a text that occurs again takes no room again.

DuckDB makes a new Python text for every value: a unit's id in each of its rows, the word "failed"
in each failure. Of millions of rows that is most of the memory. Here equal texts of a column are
one object; values, types and order are those of DuckDB's own frame.
"""

from __future__ import annotations

from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

__all__ = ["as_frame", "without_bits"]


def without_bits(rows: duckdb.DuckDBPyRelation) -> duckdb.DuckDBPyRelation:
    """The same rows with bit strings as texts of 0 and 1: Arrow has no type for them.

    >>> rows = duckdb.connect().sql("select cast('0110' as bit) as mark")
    >>> without_bits(rows).fetchall()
    [('0110',)]
    """
    named = zip(rows.columns, rows.types, strict=True)
    bits = [name.replace('"', '""') for name, kind in named if str(kind) == "BIT"]
    if not bits:
        return rows
    texts = ", ".join(f'cast("{name}" as varchar) as "{name}"' for name in bits)
    return rows.project(f"* replace ({texts})")


def as_frame(connection: duckdb.DuckDBPyConnection, rows: duckdb.DuckDBPyRelation) -> pd.DataFrame:
    """The rows of a relation.

    Parameters
    ----------
    connection : that of the relation.
    rows : read once, to the end.

    Returns
    -------
    As ``rows.df()`` would, with the texts of each column shared.

    Examples
    --------
    >>> connection = duckdb.connect()
    >>> rows = connection.sql("select 'coil of ' || i % 2 as part from range(4) as t(i)")
    >>> frame = as_frame(connection, rows)
    >>> frame["part"][0] is frame["part"][2]
    True
    """
    rows = without_bits(rows)
    names = rows.columns
    texts = [name for name, kind in zip(names, rows.types, strict=True) if str(kind) == "VARCHAR"]
    if not texts or len(set(names)) < len(names):
        return rows.df()
    table = rows.to_arrow_table()
    columns: dict[str, Any] = dict.fromkeys(names)
    others = [name for name in names if name not in texts]
    if others:  # back through DuckDB, so that numbers, dates and lists are typed as it types them
        frame = connection.from_arrow(table.select(others)).df()
        columns |= {name: frame[name] for name in others}
    for name in texts:
        column = table.column(name)
        table = table.drop_columns([name])
        columns[name] = _shared(column)
    return pd.DataFrame(columns, columns=names)


def _shared(column: pa.ChunkedArray) -> Any:
    """Texts as objects, equal ones the same; null is None."""
    return column.to_pandas(deduplicate_objects=True).astype(object)
