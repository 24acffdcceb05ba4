"""The questions of one warehouse asked of its partitions, and the counts added up.

A `PartitionedSession` is asked like any other: `run` sends a query to every partition and adds up
what comes back, as the query's header says (`failstats.warehouse.adding`). What a fact needs to
know of the whole company (which parts a family has, where the tenths of use lie) is counted first,
added up, and handed to every partition, so that each sees its units as the whole warehouse would.
"""

from __future__ import annotations

import datetime as dt
import pickle
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import pandas as pd
import pyarrow as pa

from failstats.counts.clusters import Lent, Place, place_of
from failstats.counts.packing import Packed
from failstats.counts.partition_checks import Looked, look_through, said_of
from failstats.counts.partition_files import Files, Folder, open_files, read_files
from failstats.counts.partition_tasks import (
    Seen,
    Setup,
    Supplies,
    add_tables,
    forget,
    on_partition,
    select,
)
from failstats.errors import InputError, QueryError, WarehouseError
from failstats.vocabulary import Vocabulary, load_vocabulary
from failstats.warehouse.adding import Adding, add_up, adding_of, of_company
from failstats.warehouse.drawing import MOST_UNITS
from failstats.warehouse.kept import note_queries
from failstats.warehouse.memory import memory_limit
from failstats.warehouse.queries import Query, find_query
from failstats.warehouse.session import Session, open_session, reads
from failstats.warehouse.sums import plus
from failstats.warehouse.tabular import as_frame

__all__ = ["Moved", "PartitionedSession", "open_partitions"]

COUNTED = ("sums", "distinct")
#: Arguments of fewer bytes go along with every task; larger ones once to every worker.
SMALL = 4_000


class Moved(NamedTuple):
    """Bytes that one step moved on a cluster; in one process nothing moves.

    Attributes
    ----------
    name : the query, or the first of those that were read.
    sent : to all workers. left : from all partitions, compressed. received : by the asking process,
        after the workers have added up what can be added.
    """

    name: str
    sent: int
    left: int
    received: int


class PartitionedSession(Session):
    """A session over partitions of units; opened by `open_partitions`.

    Attributes
    ----------
    parts : the partitions that are asked.
    moved : what every step so far has moved.
    """

    def __init__(
        self, whole: Session, setup: Setup, looked: Sequence[Looked], place: Place
    ) -> None:
        super().__init__(
            path=whole.path,
            connection=whole.connection,
            as_of=whole.as_of,
            vocabulary=whole.vocabulary,
            choices=whole.choices,
            warnings=whole.warnings,
            most_units=whole.most_units,
            _below=whole._below,
        )
        self.parts = tuple(one.partition for one in looked if not one.broken)
        self._looked = looked
        self.moved: list[Moved] = []
        self._setup = setup
        self._place = place
        self._shared: dict[str, Any] = {"": place.share(setup)}
        self._seen: Seen = ()
        self._supplies: Supplies = {}

    def close(self) -> None:
        """Let go of the files, here and on the workers."""
        if self._some is not None and self._some is not self:
            self._some.close()  # while what it was lent is still there
            self._some = None
        try:
            self._place.everywhere(forget, self._setup.key)
        finally:
            self._place.close()
            super().close()

    def build(self, name: str) -> None:
        """Count a fact over all units, or make it from those that were."""
        if name in self._built:
            return
        query = find_query(name)
        adding = _adding(query)
        if isinstance(self._company, PartitionedSession) and of_company(query):
            rows = self._company._supply(name)
            self._supplies[name] = rows
            self.supply(name, rows)
        elif adding.kind in COUNTED:
            rows = self._added(query, adding, {}).to_arrow_table()
            self._supplies[name] = rows
            self.supply(name, rows)
        elif adding.kind == "company":
            super().build(name)
        else:
            raise QueryError(
                f"{name} is kept by each partition for its own units, so it cannot be read here.",
                do="ask a question of queries/ instead.",
            )

    def run(self, name: str, /, **given: Any) -> pd.DataFrame:
        """As of any session: counted in each partition, and added up."""
        query = find_query(name)
        adding = _adding(query)
        if adding.kind == "company" or (query.is_view and adding.kind in COUNTED):
            return super().run(name, **given)
        self._asked(name, given)
        return as_frame(self.connection, self._added(query, adding, given))

    def _added(self, query: Query, adding: Adding, given: dict[str, Any]) -> Any:
        on_workers = partial(add_tables, adding) if adding.kind in COUNTED else None
        tables = self._map(
            select,
            (query.name, given),
            self._needs(query),
            query.name,
            # in one process all tables at once are sooner added than two by two
            add=on_workers if self._place.packs else None,
        )
        return add_up(tables, adding, self.connection)

    def _needs(self, query: Query) -> Supplies:
        """Facts of the whole company that a query reads, itself or through others."""
        found: dict[str, pa.Table] = {}
        seen, open_ = set(), list(reads(query))
        while open_:
            name = open_.pop()
            if name in seen:
                continue
            seen.add(name)
            inner = find_query(name)
            kind = _adding(inner).kind
            if inner.is_kept and kind in (*COUNTED, "company"):
                found[name] = self._supply(name)
            else:
                open_.extend(reads(inner))
        return dict(sorted(found.items()))

    def _supply(self, name: str) -> pa.Table:
        """A fact of the whole company, to be handed to partitions."""
        self.build(name)
        if name not in self._supplies:
            rows = self.connection.sql(f'select * from "{name}"')
            self._supplies[name] = rows.to_arrow_table()
        return self._supplies[name]

    def _map(
        self,
        function: Callable[..., Any],
        arguments: Sequence[Any],
        supplies: Supplies,
        name: str,
        *,
        add: Callable[[Any, Any], Any] | None = None,
    ) -> list[Any]:
        """Call a function on every partition; see `on_partition`.

        Parameters
        ----------
        add : adds up what two sets of units give, where it is; then one sum is handed back.
        """
        sent, shared, given = self._to_send(supplies, arguments)
        tasks = [
            (self._shared[""], part, shared, self._seen, function, given) for part in self.parts
        ]
        try:
            if add is None:
                found = self._place.call(on_partition, tasks, self.parts)
            else:
                found = [self._place.add(on_partition, tasks, self.parts, add)]
        except (duckdb.IOException, duckdb.InvalidInputException, OSError) as fault:
            raise WarehouseError(
                "a partition must stay as it was when the session was opened, but one cannot be "
                f"read any more: {str(fault).splitlines()[0]}.",
                where=str(self.path),
                do="ask again: what cannot be read will be named and left out.",
            ) from None
        packed = [one for one in found if isinstance(one, Packed)]
        self.moved.append(
            Moved(name, sent, sum(one.left for one in packed), sum(len(one.data) for one in packed))
        )
        return [one.open() if isinstance(one, Packed) else one for one in found]

    def _to_send(
        self, supplies: Supplies, arguments: Sequence[Any]
    ) -> tuple[int, dict[str, Any], Any]:
        """Bytes that this step sends, and what its tasks are handed: facts counted over all units
        go to each worker once, and so do large arguments."""
        if not self._place.packs:
            return 0, supplies, tuple(arguments)
        workers, sent = self._place.processes(), 0
        if not self.moved:
            sent += workers * len(pickle.dumps(self._setup))
        for name, rows in supplies.items():
            if name not in self._shared:
                packed = Packed.of(rows)
                sent += workers * len(packed.data)
                self._shared[name] = self._place.share(packed)
        given: Any = Packed.of(tuple(arguments))
        size = len(given.data)
        if size > SMALL:
            given = self._place.share(given)
        sent += size * (workers if size > SMALL else len(self.parts))
        return sent, {name: self._shared[name] for name in supplies}, given

    def _all_needs(self, reading: Sequence[str]) -> Supplies:
        note_queries(self.choices["queries"], reading)
        supplies: Supplies = {}
        for name in reading:
            supplies |= self._needs(find_query(name))
        return supplies

    def map_units(
        self, function: Callable[..., Any], *arguments: Any, reading: Sequence[str]
    ) -> list[Any]:
        """As of any session: on each partition, in their order."""
        return self._map(function, arguments, self._all_needs(reading), reading[0])

    def add_units(
        self, function: Callable[..., Any], *arguments: Any, reading: Sequence[str]
    ) -> Any:
        """As of any session: added up where the partitions are."""
        needed = self._all_needs(reading)
        return self._map(function, arguments, needed, reading[0], add=plus)[0]

    def again(self, *, as_of: dt.date, below: str | None = None) -> Session:
        """As of any session: of the same partitions, where they are."""
        return open_partitions(
            self._setup.where,
            as_of=as_of,
            most_units=self.most_units,
            below=below,
            since=self.choices["from"],
            families=self.choices["families"],
            fuels=self.choices["fuels"],
            contract_only=self.choices["contract_only"],
            vocabulary=self.vocabulary,
            place=Lent(self._place),
            looked=self._looked,
        )

    @contextmanager
    def seen_otherwise(self, facts: Sequence[str], **variables: Any) -> Iterator[None]:
        """As of any session: the facts are built again in every partition."""
        before = self._seen
        values = tuple(
            (name, tuple(value) if isinstance(value, (list, tuple)) else value)
            for name, value in variables.items()
        )
        self._seen = (*before, (tuple(facts), values))
        try:
            yield
        finally:
            self._seen = before


def _adding(query: Query) -> Adding:
    """How a query adds up.

    Raises
    ------
    QueryError : it needs the whole warehouse at once.
    """
    adding = adding_of(query)
    if adding is not None:
        return adding
    if query.name == "stg_parts" or query.is_view:
        return Adding(kind="by unit")
    raise QueryError(
        f"{query.name} needs all units at once, so it cannot be asked of partitions.",
        do="ask the warehouse from which they were written: -w company.duckdb.",
    )


def open_partitions(
    where: str | Path,
    *,
    cluster: str | None = None,
    workers: int | None = None,
    as_of: str | dt.date | None = None,
    since: str | dt.date | None = None,
    families: Sequence[str] = (),
    fuels: Sequence[str] = (),
    contract_only: bool = False,
    vocabulary: Vocabulary | None = None,
    place: Place | None = None,
    looked: Sequence[Looked] | None = None,
    most_units: int = MOST_UNITS,
    below: str | None = None,
) -> PartitionedSession:
    """Open a folder of partitions to ask questions of it.

    Parameters
    ----------
    where : the folder that `split` wrote, as a path or an address of fsspec.
    cluster : the address of a Dask scheduler, or `local`; None for this process alone.
    workers : of a local cluster; default one per core.
    as_of, since, families, fuels, contract_only, vocabulary : as of `open_session`.
    place : a running one instead of `cluster`; it is closed with the session.
    looked : what `look_through` found in each partition, where that was done already.
    most_units, below : as of `open_session`.

    Raises
    ------
    WarehouseError : no partition of it can be read. InputError : a date or filter that the records
        do not have.
    """
    files = read_files(where)
    for option, given, known in (
        ("--family", families, files.families),
        ("--fuel", fuels, files.fuels),
    ):
        unknown = [value for value in given if value not in known]
        if unknown:
            raise InputError(
                f"{option} must name a {option[2:]} of the records, but {', '.join(unknown)} is "
                "not one.",
                where="known: " + ", ".join(known),
                do="correct the word.",
            )
    words = vocabulary or load_vocabulary()
    options = {
        "since": since,
        "families": tuple(families),
        "fuels": tuple(fuels),
        "contract_only": contract_only,
        "most_units": most_units,
        "below": below,
    }
    whole = open_session(
        Path(where),
        as_of=as_of,
        vocabulary=words,
        connection=_company(where, files),
        **options,  # type: ignore[arg-type]
    )
    try:
        place = place or place_of(cluster, workers=workers)
    except BaseException:
        whole.close()
        raise
    try:
        everyone = range(files.parts)
        looked = looked or place.call(
            look_through, [(str(where), files, part) for part in everyone], everyone
        )
        if all(one.broken for one in looked):
            raise WarehouseError(
                "a partition at least must be readable, but none is: "
                f"{looked[0].partition:05d}: {looked[0].broken}.",
                where=str(where),
                do="write them again: failstats partition FOLDER -w company.duckdb",
            )
        whole.warnings.extend(said_of(list(looked)))
        setup = Setup(
            key=uuid.uuid4().hex,
            where=str(where),
            files=files,
            as_of=whole.as_of,
            options=options,
            vocabulary=words,
            memory=memory_limit(),
            threads=place.threads,
            packs=place.packs,
        )
        whole.choices["partitions"] = {
            "asked": sum(not one.broken for one in looked),
            "of": files.parts,
        }
        return PartitionedSession(whole, setup, looked, place)
    except BaseException:
        whole.close()
        place.close()
        raise


def _company(where: str | Path, files: Files) -> duckdb.DuckDBPyConnection:
    try:
        return open_files(Folder(where), files, None)
    except duckdb.Error as fault:
        raise WarehouseError(
            "what belongs to the whole company must be readable, but it is not: "
            f"{str(fault).splitlines()[0]}.",
            where=f"{where}/company",
            do="write the partitions again: failstats partition FOLDER -w company.duckdb",
        ) from None
