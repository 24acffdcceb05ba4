"""An open warehouse with a date: the only function that opens connections for questions.

Views read the session's variables (`as_of`, `as_loaded`, `since`, …); they are set here, once,
and a view fails loudly where `as_of` is missing. Facts are kept as temporary tables for the
session, built when first needed: they are the same for every answer of one session.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from failstats.errors import InputError, QueryError
from failstats.vocabulary import Vocabulary, load_vocabulary
from failstats.warehouse.adding import of_company
from failstats.warehouse.drawing import MOST_UNITS, hash_below, share_drawn
from failstats.warehouse.kept import Kept, note_queries
from failstats.warehouse.memory import within_memory
from failstats.warehouse.opening import (
    check_batch,
    check_filter,
    date_of,
    last_batch,
    last_of_units,
    register_words,
    span_of,
)
from failstats.warehouse.queries import Query, find_query, reads
from failstats.warehouse.store import connect_readonly
from failstats.warehouse.tabular import as_frame, without_bits

__all__ = ["Session", "open_session", "reads"]

MOST_HELD = 4  # sets of rows kept for the next step of a fit; they can be made again


@dataclass(slots=True)
class Session:
    """A read-only warehouse, seen as of one date and through one set of filters.

    Attributes
    ----------
    path : the warehouse file.
    as_of : event time: nothing dated later exists in this session.
    warnings : (code, text) pairs that every answer of this session carries.
    choices : the filters in force, for the settings of an answer, with the last batch that counts
        and, once an answer has begun, the queries it rests on.
    kept : fits that several answers of this session need.
    most_units : so many units at most are gone through one by one; 0 for all of them.
    """

    path: Path
    connection: duckdb.DuckDBPyConnection
    as_of: dt.date
    vocabulary: Vocabulary
    choices: dict[str, Any] = field(default_factory=dict)
    warnings: list[tuple[str, str]] = field(default_factory=list)
    kept: Kept = field(init=False)
    _built: set[str] = field(default_factory=set)
    most_units: int = MOST_UNITS
    _held: dict[Any, Any] = field(default_factory=dict)
    _otherwise: int = 0
    _below: str | None = None
    _company: Session | None = None
    _some: Session | None = None

    def __post_init__(self) -> None:
        self.choices.setdefault("queries", [])
        self.kept = Kept(lambda: self.choices["queries"])

    def begin(self, *known: Any) -> None:
        """A new answer begins: its settings will name the queries run from here on.

        Parameters
        ----------
        known : answers that it may take over; their queries become its own.
        """
        self.choices["queries"] = []  # a new list: earlier answers keep theirs
        for answer in known:
            if answer is not None:
                note_queries(self.choices["queries"], answer.settings.get("queries", ()))

    def close(self) -> None:
        """Let go of the file."""
        if self._some is not None and self._some is not self:
            self._some.close()
        self.connection.close()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def build(self, name: str) -> None:
        """Make a staging, fact or check view usable here, with all it reads from."""
        if name in self._built:
            return
        query = find_query(name)
        if not query.is_view:
            raise QueryError(
                f"only staging, facts and checks can be read from, but {name} is a question.",
                do="run it instead.",
            )
        if self._company is not None and of_company(query):
            self.supply(name, self._company.arrow(name))
            return
        for other in reads(query):
            self.build(other)
        what = "temp table" if query.is_kept else "temp view"
        statement = f'create {what} "{query.name}" as {query.sql}'
        within_memory(self.connection, lambda: self.connection.execute(statement))
        self._built.add(name)

    def supply(self, name: str, rows: pa.Table) -> None:
        """Take a fact as it was counted over all units, of which this session sees only some."""
        if name in self._built:
            return
        self.connection.register("_supplied", rows)
        self.connection.execute(f'create temp table "{name}" as select * from _supplied')
        self.connection.unregister("_supplied")
        self._built.add(name)

    def _asked(self, name: str, given: dict[str, Any]) -> Query:
        """A query with its parameters looked at; the answer will name it."""
        query = find_query(name)
        missing = [p for p in query.params if p not in given]
        unknown = [p for p in given if p not in query.params]
        if missing or unknown:
            raise QueryError(
                f"the query {name} takes {', '.join(query.params) or 'no parameters'}, but "
                + "; ".join(
                    part
                    for part in (
                        f"{', '.join(missing)} is missing" if missing else "",
                        f"{', '.join(unknown)} was given" if unknown else "",
                    )
                    if part
                )
                + ".",
                where=f"params: {query.header['params']}",
                do="give each as --set name=value.",
            )
        note_queries(self.choices["queries"], [name])
        return query

    def _select(self, name: str, *, anew: bool = False) -> str:
        """The statement of a query whose views are made usable here."""
        query = find_query(name)
        if query.is_view and not anew:
            self.build(name)
            return f'select * from "{query.name}"'
        for other in reads(query):
            self.build(other)
        return query.sql

    def run(self, name: str, /, **given: Any) -> pd.DataFrame:
        """Run a query by name and return its rows.

        Raises
        ------
        QueryError : no such query, or its parameters are not those given.
        """
        query = self._asked(name, given)
        try:
            sql = self._select(name)

            def frame() -> pd.DataFrame:
                return as_frame(self.connection, self.connection.sql(sql, params=given or None))

            return within_memory(self.connection, frame)
        except (duckdb.ConversionException, duckdb.BinderException) as fault:
            raise QueryError(
                f"the parameters of {name} must be of its types, but: {str(fault).splitlines()[0]}",
                where=f"params: {query.header['params']}",
                do="correct the value.",
            ) from None

    def arrow(self, name: str, /, *, anew: bool = False, **given: Any) -> pa.Table:
        """The rows of `run` with their types.

        Parameters
        ----------
        anew : select a fact's rows again from what it reads, and keep nothing.
        """
        self._asked(name, given)
        sql = self._select(name, anew=anew)
        return within_memory(
            self.connection,
            lambda: without_bits(self.connection.sql(sql, params=given or None)).to_arrow_table(),
        )

    def batches(self, name: str, /, *, rows: int, **given: Any) -> Iterator[pa.RecordBatch]:
        """The rows of `run` as they come, at most so many at a time."""
        self._asked(name, given)
        sql = self._select(name)
        yield from within_memory(
            self.connection,
            lambda: self.connection.sql(sql, params=given or None).to_arrow_reader(rows),
        )

    def map_units(
        self, function: Callable[..., Any], *arguments: Any, reading: Sequence[str]
    ) -> list[Any]:
        """function(session, *arguments) for each set of units kept apart; here there is one.

        Parameters
        ----------
        reading : the queries that the function runs.
        """
        note_queries(self.choices["queries"], reading)
        return [function(self, *arguments)]

    def add_units(
        self, function: Callable[..., Any], *arguments: Any, reading: Sequence[str]
    ) -> Any:
        """What `map_units` finds, added up by `failstats.warehouse.sums.plus`.

        Parameters
        ----------
        function : its first argument is a session of some of the units; returns sums over them,
            few enough to travel. reading : the queries that it runs.
        """
        note_queries(self.choices["queries"], reading)
        return function(self, *arguments)

    def hold(self, key: Any, make: Callable[[], Any]) -> Any:
        """What a pass over rows needs again and again: made once, and given up for others' sake.

        Parameters
        ----------
        key : by which it is known; facts seen otherwise have their own.
        make : makes it, now or again.
        """
        if key in self._held:
            self._held[key] = self._held.pop(key)
        else:
            few = share_drawn(self.units(), self.most_units) is None
            most = MOST_HELD if few else 1  # of very many units only one
            while len(self._held) >= most:
                self._held.pop(next(iter(self._held)))
            self._held[key] = make()
        return self._held[key]

    @contextmanager
    def seen_otherwise(self, facts: Sequence[str], **variables: Any) -> Iterator[None]:
        """Some facts built again under other variables; as before afterwards.

        Parameters
        ----------
        facts : those that read the variables, and those that read these, in that order.
        variables : name = value, as `getvariable` in the facts reads them.
        """
        usual = {
            name: self.connection.execute("select getvariable($name)", {"name": name}).fetchall()
            for name in variables
        }
        kept = [name for name in facts if name in self._built]
        self._otherwise += 1
        mark = f"_usual_{self._otherwise}"
        for name in kept:
            self.connection.execute(f'alter table "{name}" rename to "{name}{mark}"')
        self._built -= set(facts)
        held, self._held = self._held, {}
        try:
            for name, value in variables.items():
                self.connection.execute(f"set variable {name} = $value", {"value": value})
            yield
        finally:
            self._held = held
            for name in facts:
                if name in self._built:
                    self.connection.execute(f'drop table "{name}"')
            for name in kept:
                self.connection.execute(f'alter table "{name}{mark}" rename to "{name}"')
            self._built = (self._built - set(facts)) | set(kept)
            for name, rows in usual.items():
                value = rows[0][0]
                self.connection.execute(f"set variable {name} = $value", {"value": value})
            self._otherwise -= 1

    def before(self, day: dt.date) -> Session:
        """The same records, through the same filters, as they were known on an earlier day."""
        return self.again(as_of=day, below=self._below)

    def again(self, *, as_of: dt.date, below: str | None = None) -> Session:
        """The same records through the same filters once more.

        Parameters
        ----------
        as_of : the day. below : of units whose ids' hash comes before it; of all without.
        """
        return open_session(
            self.path, as_of=as_of, as_loaded=self.choices["as_loaded"],
            since=self.choices["from"], families=self.choices["families"],
            fuels=self.choices["fuels"], contract_only=self.choices["contract_only"],
            vocabulary=self.vocabulary, most_units=self.most_units, below=below,
        )  # fmt: skip

    def units(self) -> int:
        """How many units there are."""
        return int(self.run("lives_roster")["units"].iloc[0])

    def some_units(self) -> Session:
        """The session for what cannot be counted and goes through units one by one.

        Returns
        -------
        This one where there are no more than `most_units`; else one of about so many units, drawn
        by a hash of their ids. It knows the company as this one does: its families' parts, its
        tenths of use. It is closed with this one.
        """
        if self._some is None:
            share = share_drawn(self.units(), self.most_units)
            self._some = self if share is None else self._drawn(share)
        return self._some

    def _drawn(self, share: float) -> Session:
        found = self.again(as_of=self.as_of, below=hash_below(share))
        # no fewer than these; what they run is run for the answer that is under way
        found.most_units, found._company, found.choices = 0, self, self.choices
        return found

    def scalar(self, sql: str) -> Any:
        """The first value of a fixed statement (never with text of a user in it)."""
        rows = self.connection.execute(sql).fetchall()
        return rows[0][0] if rows else None


def open_session(
    path: Path,
    *,
    as_of: str | dt.date | None = None,
    as_loaded: int | None = None,
    since: str | dt.date | None = None,
    families: Sequence[str] = (),
    fuels: Sequence[str] = (),
    contract_only: bool = False,
    vocabulary: Vocabulary | None = None,
    may_be_empty: bool = False,
    connection: duckdb.DuckDBPyConnection | None = None,
    most_units: int = MOST_UNITS,
    below: str | None = None,
) -> Session:
    """Open a warehouse to ask questions of it.

    Parameters
    ----------
    path : the warehouse file.
    as_of : event time; default the end of the records. Never later than that.
    as_loaded : only what batches up to this one had loaded.
    since : observation starts here at the earliest.
    families, fuels : only these; empty for all.
    contract_only : only units from which every job would be recorded.
    may_be_empty : open a warehouse without a visit or cleaning too (to look at its quarantine).
    connection : where the raw tables are already, or those of some of the units: then `path` only
        says what they came from, and families and fuels are taken as they are.
    most_units : so many units at most are gone through one by one (`Session.some_units`).
    below : only units of which the md5 of the id comes before it.

    Raises
    ------
    WarehouseError : no such file. InputError : a date or filter that the records do not have.
    """
    path = Path(path)
    words = vocabulary or load_vocabulary()
    given = connection is not None
    connection = connection or connect_readonly(path)
    try:
        check_batch(connection, as_loaded)
        records_from, records_to, end_assumed = span_of(connection, as_loaded)
        if may_be_empty and records_to is None:
            records_from = records_to = last_of_units(connection, as_loaded).isoformat()
        if records_to is None or records_from is None:
            raise InputError(
                "the warehouse must hold at least one visit or cleaning, but it holds none.",
                where=str(path),
                do="load jobs first.",
            )
        last, first = date_of(records_to, "records_to"), date_of(records_from, "records_from")
        when = date_of(as_of, "--as-of") if as_of is not None else last
        if when > last or when < first:
            raise InputError(
                f"--as-of must lie within the records ({first} to {last}), but it is {when}.",
                where="--as-of",
                do="choose a date within them; after their end nobody was watching.",
            )
        start = date_of(since, "--from") if since is not None else None
        if start is not None and start >= when:
            raise InputError(
                f"--from must be before the as-of date {when}, but it is {start}.",
                where="--from",
                do="choose an earlier date.",
            )
        _set_variables(
            connection, as_of=when, as_loaded=as_loaded, records_from=first, since=start,
            families=list(families) or None, fuels=list(fuels) or None,
            contract_only=contract_only, sampled_below=below,
        )  # fmt: skip
        register_words(connection, words)
    except BaseException:
        connection.close()
        raise
    choices: dict[str, Any] = {
        "records_from": first.isoformat(),
        "records_to": last.isoformat(),
        "as_loaded": as_loaded,
        "last_batch": last_batch(connection, as_loaded),
        "from": None if start is None else start.isoformat(),
        "families": list(families),
        "fuels": list(fuels),
        "contract_only": contract_only,
    }
    session = Session(
        path=path, connection=connection, as_of=when, vocabulary=words, choices=choices,
        most_units=most_units, _below=below,
    )  # fmt: skip
    if end_assumed:
        session.warnings.append(
            (
                "records_end_assumed",
                f"The records are taken to be complete from {first} to {last} (first and last "
                "entry); state records_from and records_to in a mapping file to be sure.",
            )
        )
    if not given:
        try:
            check_filter(connection, "family", families, "--family")
            check_filter(connection, "fuel", fuels, "--fuel")
        except InputError:
            session.close()
            raise
    return session


def _set_variables(connection: duckdb.DuckDBPyConnection, **values: Any) -> None:
    for name, value in values.items():
        connection.execute(f"set variable {name} = $value", {"value": value})
