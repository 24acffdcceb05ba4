"""The rows of one file as they are written, for the one or several tables taken from it."""

from __future__ import annotations

from collections.abc import Callable

import duckdb
import pyarrow as pa

from failstats.errors import InputError
from failstats.intake.formats import RowFile
from failstats.intake.staged import put_frame
from failstats.warehouse.schema import TABLES

__all__ = ["RawRows"]


class RawRows:
    """The rows of a file, staged once for all tables that are taken from it."""

    def __init__(self, opened: RowFile, uses: int) -> None:
        self.opened = opened
        self.name: str | None = None
        self.uses = uses
        self.alone = uses == 1

    def let_go(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Drop the rows after the last table has been taken from them."""
        self.uses -= 1
        if self.uses > 0:
            return
        if self.opened.in_memory is not None:
            connection.unregister(str(self.name))
            self.opened.in_memory = None
        else:
            connection.execute(f"drop table {self.name}")

    def ahead(self) -> None:
        """Take the rows of a file with one table into memory, where that needs no connection."""
        if self.alone:
            self.opened.read_ahead()

    def in_memory(
        self, columns: dict[str, int], blanks: frozenset[str]
    ) -> Callable[[], pa.Table | None]:
        """What gives the staged rows of the only table of a file, where they are in memory."""

        def rows() -> pa.Table | None:
            staged = self.opened.in_memory
            if staged is None or not self.alone or blanks:
                return None
            named = {name: staged[name] for name in ("place", "broken", "whole_text")}
            named |= {name: staged[f"c{at}"] for name, at in columns.items()}
            return pa.table(named)

        return rows

    def stager(
        self,
        table: str,
        columns: dict[str, int],
        own: list[int],
        finest: bool,
        blanks: frozenset[str],
    ) -> Callable[[duckdb.DuckDBPyConnection, str], None]:
        """What makes ``staged_N`` of one table: a view of the file's rows."""

        def stage(connection: duckdb.DuckDBPyConnection, name: str) -> None:
            if self.name is None:
                self.name = f"raw_of_{name}"
                self.opened.stage(connection, self.name)
                _refuse_nameless(connection, self.name, self.opened)
            number = name.removeprefix("staged_")
            connection.execute(
                "insert into source_files values ($1, $2)", [int(number), self.opened.label]
            )
            if blanks:
                put_frame(connection, f"blanks_{number}", ["word"], [(w,) for w in sorted(blanks)])

            def said(at: int | None) -> str:
                if at is None:
                    return "null::varchar"
                if not blanks:
                    return f"c{at}"
                nothing = f"lower(c{at}) in (select word from blanks_{number})"
                return f"case when {nothing} then null else c{at} end"

            fields = ", ".join(
                f'{said(columns.get(column.name))} as "{column.name}"'
                for column in TABLES[table].columns
            )
            only = " or ".join(f"({said(at)}) is not null" for at in own)
            # a line that is no row counts once, with the finest table of the file
            where = f"where broken is null and ({only or 'true'})"
            if finest:
                where = f"where broken is not null or {only}" if own else ""
            connection.execute(
                f"create temp view {name} as select place, "
                f"(select file from source_files where number = {number}) as file, "
                f"place as line, broken, whole_text, {fields} from {self.name} {where}"
            )

        return stage


def _refuse_nameless(connection: duckdb.DuckDBPyConnection, raw: str, opened: RowFile) -> None:
    for at, title in enumerate(opened.header):
        if title.strip():
            continue
        row = connection.execute(f"select min(place) from {raw} where c{at} is not null").fetchone()
        if row and row[0] is not None:
            raise InputError(
                f"every column with values must have a title, but column {at + 1} has none.",
                where=f"{opened.label}, column {at + 1}, line {row[0]}",
                do="give it a title, or remove it.",
            )
