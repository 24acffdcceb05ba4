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
    selects = []
    values: dict[str, object] = {"batch": batch}
    for number, bound in enumerate(bounds()):
        if bound.table not in loaded:
            continue
        words = {f"w{number}_{at}": word for at, word in enumerate(bound.where.values())}
        conditions = [f'"{of}" = ${name}' for of, name in zip(bound.where, words, strict=True)]
        given: dict[str, object] = dict(words)
        outside = []
        if bound.least is not None:
            outside.append(f'"{bound.column}" < $least{number}')
            given[f"least{number}"] = bound.least
        if bound.most is not None:
            outside.append(f'"{bound.column}" > $most{number}')
            given[f"most{number}"] = bound.most
        conditions.append(f"({' or '.join(outside)})")
        given |= {f"name{number}": bound.name, f"statement{number}": bound.statement}
        selects.append(
            f"select batch, '{bound.table}', file, line, $name{number}, $statement{number} "
            f"from raw.{bound.table} where batch = $batch and {' and '.join(conditions)}"
        )
        values |= given
    if selects:
        connection.execute("insert into raw.remarks " + " union all ".join(selects), values)
