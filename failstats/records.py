"""The same questions from Python: open a warehouse, ask, get frozen results."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from failstats.answers.causes import Causes, causes
from failstats.answers.costs import Costs, read_costs
from failstats.answers.drawn import said_of
from failstats.answers.lives import Lives, lives
from failstats.answers.pairs import Pairs, pairs
from failstats.answers.policy import Policy, policy
from failstats.answers.quality import LIMIT, Quality, quality
from failstats.answers.result import Warning_
from failstats.answers.rules import Rules, rules
from failstats.answers.stock import Stock, stock
from failstats.answers.vents import EDITION, Vents, vents
from failstats.answers.verify import Verified, verify
from failstats.counts.partition_files import is_partitioned
from failstats.counts.partitions import open_partitions
from failstats.errors import InputError, QueryError
from failstats.progress import Say
from failstats.vocabulary import load_vocabulary
from failstats.warehouse.drawing import MOST_UNITS
from failstats.warehouse.memory import limit_memory
from failstats.warehouse.session import Session, open_session

__all__ = ["Records", "open_warehouse"]


def _several(value: str | Sequence[str]) -> Sequence[str]:
    return (value,) if isinstance(value, str) else tuple(value)


class Records:
    """An open warehouse as of one date; use it in a `with` block, or call `close`.

    Every question is a method named as the command, and returns a frozen result with `.table()`,
    `.interval()`, `.chart()`, `.to_dict()` and `str()`.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._known: dict[tuple[str, float], Any] = {}
        self._inside = False

    def __enter__(self) -> Records:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<failstats records of {self._session.path.name} as of {self._session.as_of}>"

    def close(self) -> None:
        """Let go of the file."""
        self._session.close()

    @property
    def as_of(self) -> dt.date:
        """Event time: nothing dated later exists here."""
        return self._session.as_of

    @property
    def currency(self) -> str:
        """The company's one currency."""
        found = self._session.scalar("select value from raw.settings where name = 'currency'")
        return str(found) if found else "USD"

    def costs(self, path: Path | None = None) -> Costs:
        """What things cost, in the warehouse's currency; see `read_costs`."""
        return read_costs(path, currency=self.currency)

    def _priced(self, costs: Costs | str | Path | None) -> Costs | None:
        return self.costs(Path(costs)) if isinstance(costs, str | Path) else costs

    def causes(
        self,
        complaint: str | None = None,
        *,
        by: str | Sequence[str] = (),
        reading: Mapping[str, str] | None = None,
        confidence_level: float = 0.95,
        progress: Say = None,
    ) -> Causes:
        """What fails behind a complaint; see `failstats.answers.causes`."""
        self._begin()
        return causes(
            self._session,
            complaint=complaint,
            by=_several(by),
            reading=reading,
            confidence_level=confidence_level,
            progress=progress,
        )

    def lives(
        self,
        part: str | Sequence[str] = (),
        *,
        by: str | Sequence[str] = (),
        model: str = "weibull",
        births: str = "known",
        clock: str = "days",
        replicates: int = 0,
        confidence_level: float = 0.95,
        progress: Say = None,
    ) -> Lives:
        """How long parts last; see `failstats.answers.lives`."""
        self._begin()
        found = lives(
            self._session,
            part=_several(part),
            by=_several(by),
            model=model,
            births=births,
            clock=clock,
            replicates=replicates,
            confidence_level=confidence_level,
            progress=progress,
        )
        if not part and not by and (model, births, clock) == ("weibull", "known", "days"):
            self._known["lives", confidence_level] = found
        return found

    def pairs(
        self,
        *,
        window: int | Sequence[int] = (),
        sensitivity: float | None = None,
        specificity: float | None = None,
        confidence_level: float = 0.95,
        progress: Say = None,
    ) -> Pairs:
        """What fails and is replaced together, and what follows; see `failstats.answers.pairs`."""
        self._begin()
        windows = (window,) if isinstance(window, int) else tuple(window)
        found = pairs(
            self._session,
            window=windows,
            sensitivity=sensitivity,
            specificity=specificity,
            confidence_level=confidence_level,
            progress=progress,
        )
        if not windows and sensitivity is None:
            self._known["pairs", confidence_level] = found
        return found

    def vents(
        self,
        part: str | Sequence[str] = (),
        *,
        control: str | Sequence[str] = (),
        cut: int | Sequence[int] = (),
        edition: str = EDITION,
        costs: Costs | str | Path | None = None,
        replicates: int = 0,
        confidence_level: float = 0.95,
        progress: Say = None,
    ) -> Vents:
        """Whether vent neglect shortens part life; see `failstats.answers.vents`."""
        self._begin()
        found = vents(
            self._session,
            part=_several(part),
            control=_several(control),
            cut=(cut,) if isinstance(cut, int) else tuple(cut),
            edition=edition,
            costs=self._priced(costs),
            replicates=replicates,
            confidence_level=confidence_level,
            progress=progress,
        )
        if not part and not control and not cut and edition == EDITION:
            self._known["vents", confidence_level] = found
        return found

    def stock(
        self,
        van: str | Sequence[str] = (),
        *,
        cycle: float | None = None,
        budget: float | None = None,
        volume: float | None = None,
        target: float | None = None,
        fix: dict[str, int] | None = None,
        exclude: Sequence[str] = (),
        pair: str | Sequence[str] = (),
        starting: str | dt.date | None = None,
        backtest: bool = False,
        costs: Costs | str | Path | None = None,
        seconds: float = 60.0,
        confidence_level: float = 0.95,
        progress: Say = None,
    ) -> Stock:
        """What each van should carry; see `failstats.answers.stock`."""
        self._begin()
        return stock(
            self._session,
            van=_several(van),
            cycle=cycle,
            budget=budget,
            volume=volume,
            target=target,
            fix=fix,
            exclude=exclude,
            pair=_several(pair),
            starting=starting,
            backtest=backtest,
            costs=self._priced(costs),
            seconds=seconds,
            confidence_level=confidence_level,
            progress=progress,
        )

    def policy(
        self,
        *,
        costs: Costs | str | Path | None = None,
        with_stock: bool = False,
        confidence_level: float = 0.95,
        progress: Say = None,
    ) -> Policy:
        """Pair, age and cleaning rules; see `failstats.answers.policy`."""
        self._begin(self._known.get(("vents", confidence_level)))

        def plan(rules: Sequence[str]) -> Stock:
            return self._planned(rules, self._priced(costs), progress)

        return policy(
            self._session,
            costs=self._priced(costs),
            plan=plan if with_stock else None,
            confidence_level=confidence_level,
            found_vents=self._known.get(("vents", confidence_level)),
            progress=progress,
        )

    def _planned(self, rules: Sequence[str], costs: Costs | None, progress: Say) -> Stock:
        """The van lists under pair rules, inside a policy answer."""
        self._inside = True
        try:
            return self.stock(pair=rules, costs=costs, seconds=0.0, progress=progress)
        finally:
            self._inside = False

    def _begin(self, *known: Any) -> None:
        """A new answer begins, which may take over known ones."""
        if not self._inside:
            self._session.begin(*known)

    def rules(
        self, file: Path | None = None, *, confidence_level: float = 0.95, progress: Say = None
    ) -> Rules:
        """Rules of thumb against the records; see `failstats.answers.rules`."""
        self._begin(
            self._known.get(("pairs", confidence_level)),
            self._known.get(("vents", confidence_level)),
        )
        return rules(
            self._session,
            file=file,
            found_pairs=self._known.get(("pairs", confidence_level)),
            found_vents=self._known.get(("vents", confidence_level)),
            confidence_level=confidence_level,
            progress=progress,
        )

    @property
    def in_partitions(self) -> bool:
        """Whether these records lie in a folder of partitions, not in one file."""
        return "partitions" in self._session.choices

    def one_file(self, what: str) -> None:
        """Refuse what needs all units at once where they are in partitions.

        Raises
        ------
        QueryError : this is a folder of partitions.
        """
        if self.in_partitions:
            raise QueryError(
                f"{what} needs all units at once, so it cannot be asked of partitions.",
                where=str(self._session.path),
                do="ask the warehouse from which they were written: -w company.duckdb.",
            )

    def quality(self, *, limit: int = LIMIT, progress: Say = None) -> Quality:
        """What is in the warehouse and what the records cannot support."""
        self._begin()
        return quality(self._session, limit=limit, progress=progress)

    def verify(self, *, confidence_level: float = 0.95, progress: Say = None) -> Verified:
        """The headline figures again, by independent libraries from the raw rows."""
        self.one_file("verify")
        self._begin(
            self._known.get(("pairs", confidence_level)),
            self._known.get(("vents", confidence_level)),
        )
        return verify(
            self._session,
            found_pairs=self._known.get(("pairs", confidence_level)),
            found_vents=self._known.get(("vents", confidence_level)),
            confidence_level=confidence_level,
            progress=progress,
        )

    def said(self) -> list[Warning_]:
        """What every answer from these records carries."""
        return said_of(self._session)

    def query(self, name: str, **params: Any) -> pd.DataFrame:
        """Run one file of `queries/` by name."""
        return self._session.run(name, **params)


def open_warehouse(
    path: str | Path,
    *,
    as_of: str | dt.date | None = None,
    as_loaded: int | None = None,
    since: str | dt.date | None = None,
    families: Sequence[str] = (),
    fuels: Sequence[str] = (),
    contract_only: bool = False,
    vocabulary: Path | None = None,
    may_be_empty: bool = False,
    cluster: str | None = None,
    memory: str | None = None,
    most_units: int = MOST_UNITS,
) -> Records:
    """Open a warehouse to ask questions of it.

    Parameters
    ----------
    path : the warehouse file that `failstats load` wrote, or a folder of partitions that
        `failstats partition` wrote (a path, or an address that fsspec knows).
    as_of : event time; default the end of the records.
    as_loaded : only what batches up to this number had loaded.
    since : observation starts here at the earliest.
    families, fuels : only these.
    contract_only : only units from which every job would be recorded.
    vocabulary : a company's own words.
    may_be_empty : open a warehouse without a visit too, to look at its quarantine.
    cluster : of partitions: the address of a Dask scheduler, or `local` for workers on this
        machine; None asks one partition after the other in this process.
    memory : what DuckDB may take, such as 4GB; it holds for this process from now on.
    most_units : so many units at most are gone through one by one, for what cannot be counted; 0
        for all of them, whatever time and memory that takes.

    Raises
    ------
    WarehouseError : no such file. InputError : a date or filter that the records do not have.
    """
    if memory is not None:
        limit_memory(memory, "memory")
    if is_partitioned(path):
        if as_loaded is not None:
            raise InputError(
                "partitions hold what counts now, so they cannot be asked as loaded by a batch, "
                f"but --as-loaded is {as_loaded}.",
                where="--as-loaded",
                do="ask the warehouse from which they were written.",
            )
        return Records(
            open_partitions(
                path,
                cluster=cluster,
                as_of=as_of,
                since=since,
                families=families,
                fuels=fuels,
                contract_only=contract_only,
                vocabulary=load_vocabulary(vocabulary),
                most_units=most_units,
            )
        )
    if cluster is not None:
        raise InputError(
            "--cluster needs a folder of partitions, but the warehouse is one file.",
            where=str(path),
            do="write one: failstats partition FOLDER -w company.duckdb, then name it with -w.",
        )
    session = open_session(
        Path(path),
        as_of=as_of,
        as_loaded=as_loaded,
        since=since,
        families=families,
        fuels=fuels,
        contract_only=contract_only,
        vocabulary=load_vocabulary(vocabulary),
        may_be_empty=may_be_empty,
        most_units=most_units,
    )
    return Records(session)
