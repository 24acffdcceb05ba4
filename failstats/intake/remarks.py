"""Odd but usable: values outside their plausible range load, and are remarked."""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass, field
from importlib import resources

import duckdb

from failstats.warehouse.schema import TABLES, stored_columns

__all__ = ["Bound", "bounds", "remark", "remedies"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """One plausible range.

    Attributes
    ----------
    name : under which a value outside is remarked.
    table, column : where it is stored.
    where : column -> word; only such rows.
    least, most : the range, both ends plausible.
    origin : where the numbers come from.
    """

    name: str
    table: str
    column: str
    statement: str
    remedy: str
    origin: str
    where: dict[str, str] = field(default_factory=dict)
    least: float | None = None
    most: float | None = None


@functools.cache
def bounds() -> tuple[Bound, ...]:
    """The shipped ranges.

    >>> [bound.most for bound in bounds() if bound.name == "loads_per_week"]
    [168]
    """
    text = resources.files("failstats").joinpath("bounds.toml").read_text("utf-8")
    found = tuple(Bound(name=name, **entry) for name, entry in tomllib.loads(text).items())
    for bound in found:
        names = {
            name for column in TABLES[bound.table].columns for name, _ in stored_columns(column)
        }
        assert {bound.column, *bound.where} <= names, bound.name
        assert bound.least is not None or bound.most is not None, bound.name
    return found


def remedies() -> dict[str, str]:
    """What to do about each remark that a load makes: its name -> a sentence."""
    made = {bound.name: bound.remedy for bound in bounds()}
    made["unit_not_listed"] = "add the unit to the units table, or correct unit_id in the job"
    return made


def remark(connection: duckdb.DuckDBPyConnection, batch: int) -> None:
    """Remark every row of a batch with a value outside its range."""
    found = connection.execute(
        'select distinct "table" from raw.batches where batch = $1', [batch]
    ).fetchall()
    loaded = {row[0] for row in found}
    for bound in bounds():
        if bound.table not in loaded:
            continue
        conditions = [f'record."{column}" = $w{at}' for at, column in enumerate(bound.where)]
        outside = []
        values: dict[str, object] = {f"w{at}": word for at, word in enumerate(bound.where.values())}
        if bound.least is not None:
            outside.append(f'record."{bound.column}" < $least')
            values["least"] = bound.least
        if bound.most is not None:
            outside.append(f'record."{bound.column}" > $most')
            values["most"] = bound.most
        conditions.append(f"({' or '.join(outside)})")
        connection.execute(
            f"insert into raw.remarks select batch, $table, file, line, $name, $statement "
            f"from raw.{bound.table} as record where batch = $batch and {' and '.join(conditions)}",
            {**values, "table": bound.table, "name": bound.name, "statement": bound.statement,
             "batch": batch},
        )  # fmt: skip
