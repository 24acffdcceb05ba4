"""What `vents` reads: stretches at risk from the warehouse, and how long each exhaust run is."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from failstats.answers.vents_models import UNKNOWN
from failstats.errors import InputError
from failstats.estimate.airflow import (
    BASE_LENGTH,
    CAUTION,
    CODE_TABLE,
    ELBOW_LENGTH,
    INCH,
    RADIUS_TOLERANCE,
    equivalent_length,
    over_limit,
    pressure_drop,
)
from failstats.warehouse.session import Session

__all__ = [
    "AHEAD_DAYS",
    "DEFAULT_MONTHS",
    "EDITION",
    "FLOW",
    "REACTION_DAYS",
    "Bands",
    "Runs",
    "bands_of",
    "cleanings_watched",
    "failures_by_band",
    "neglect_as",
    "part_rows",
    "run_lengths",
]

DEFAULT_MONTHS = (12, 24)
EDITION = "2021"
# Air through a dryer's exhaust: 150 cubic feet a minute (common practice, no source: 100 to 200).
FLOW = 150 * 0.3048**3 / 60
DROP_BINS = 10
# Future exposure: the next cleaning within a year, after 30 days in which it may be a reaction.
REACTION_DAYS = 30
AHEAD_DAYS = 365 + REACTION_DAYS
LONGEST_SHOWN = 20
ROWS_AT_ONCE = 500_000
IDS = ("unit_id", "cluster_id")
LENGTH_WORDS = ("within", "over_limit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """States of neglect: ``reference`` (the clean one), then ``rising``, then unknown.

    >>> bands_of((12, 24)).rising
    ('12_to_24', 'over_24')
    """

    months: tuple[int, ...]
    reference: str
    rising: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All but the reference."""
        return (*self.rising, UNKNOWN)

    @property
    def worst(self) -> str:
        """The longest neglect."""
        return self.rising[-1]

    def days(self) -> list[int]:
        """Cut points in days, a month being a twelfth of 365."""
        return [int(np.floor(month * 365 / 12 + 0.5)) for month in self.months]


def bands_of(months: Sequence[int]) -> Bands:
    """The bands between cut points in months.

    Raises
    ------
    InputError : the cut points are not rising whole months from 1 to 120.
    """
    cuts = tuple(months)
    if not cuts or any(m < 1 or m > 120 for m in cuts) or list(cuts) != sorted(set(cuts)):
        raise InputError(
            "--cut must name rising months since the last cleaning, from 1 to 120, but is "
            f"{', '.join(map(str, cuts)) or 'empty'}.",
            where="--cut",
            do="give, for instance, --cut 12 --cut 24.",
        )
    middle = [f"{a}_to_{b}" for a, b in itertools.pairwise(cuts)]
    return Bands(months=cuts, reference=f"under_{cuts[0]}", rising=(*middle, f"over_{cuts[-1]}"))


def neglect_as(session: Session, **variables: Any) -> AbstractContextManager[None]:
    """The neglect clock seen otherwise: neglect_months, neglect_lag_days and so on."""
    return session.seen_otherwise(("fact_neglect", "fact_exposure"), **variables)


def failures_by_band(session: Session) -> pd.DataFrame:
    """part, followed_as, band, failures of lives with known birth."""
    return session.run("vents_failures")


def cleanings_watched(session: Session) -> int:
    """Cleanings of the full run on units while they were watched."""
    return int(session.run("vents_cleanings")["cleanings"].sum())


def part_rows(
    session: Session,
    query: str,
    part: str,
    followed: Sequence[str],
    runs: Runs,
    **more: Any,
) -> pd.DataFrame:
    """Stretches at risk of one part, with the length of each unit's run.

    Returns
    -------
    One row per stretch, a third of what its texts would take: words are categories in the order of
    the alphabet, `unit_id` and `cluster_id` whole numbers that tell units and clusters apart.
    """
    given = {"part": part, "followed": list(followed), **more}
    tables = session.map_units(_coded, query, given, reading=(query,))
    table = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
    columns: dict[str, Any] = {}
    for name in table.column_names:
        column = table.column(name)
        if name in IDS:
            coded = _whole(column)
            columns[name] = coded.indices.to_numpy()
            if name == "unit_id":
                place = pd.Index(runs.units["unit_id"]).get_indexer(coded.dictionary.to_pylist())
                unit = place[columns[name]]
        elif pa.types.is_dictionary(column.type):
            coded = _whole(column)
            words = coded.dictionary.to_pylist()
            order = np.argsort(words)
            rank = np.empty(len(words), dtype=np.int8 if len(words) < 128 else np.int32)
            rank[order] = np.arange(len(words))
            columns[name] = pd.Categorical.from_codes(
                rank[coded.indices.to_numpy()], categories=[words[at] for at in order]
            )
        else:
            columns[name] = column.to_numpy()
        table = table.drop_columns([name])
    length = pd.Categorical(runs.units["length"], categories=sorted((*LENGTH_WORDS, UNKNOWN)))
    unknown = list(length.categories).index(UNKNOWN)
    codes, bins = np.append(length.codes, unknown), np.append(runs.units["drop_bin"], 0)
    columns["length"] = pd.Categorical.from_codes(codes[unit], categories=length.categories)
    columns["drop_bin"] = bins[unit]  # a unit that is not there: the last, unknown
    return pd.DataFrame(columns, copy=False)


def _coded(session: Session, query: str, given: dict[str, Any]) -> pa.Table:
    """The rows of one session with texts as numbers of a list, some rows at a time."""
    found = [
        _with_lists(pa.Table.from_batches([batch]))
        for batch in session.batches(query, rows=ROWS_AT_ONCE, **given)
    ] or [_with_lists(session.arrow(query, **given))]
    return pa.concat_tables(found).unify_dictionaries()


def _with_lists(rows: pa.Table) -> pa.Table:
    columns = {}
    for name in rows.column_names:
        column = rows.column(name)
        if pa.types.is_string(column.type):
            column = column.dictionary_encode()
        elif name in ("start_days", "stop_days"):
            column = pc.round(column).cast(pa.int64())
        elif name == "failed":
            column = pc.fill_null(column, False)
        columns[name] = column
    return pa.table(columns)


def _whole(column: pa.ChunkedArray) -> pa.DictionaryArray:
    """A column of one list of texts as one array."""
    chunks = column.combine_chunks()
    return chunks.chunk(0) if isinstance(chunks, pa.ChunkedArray) else chunks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Runs:
    """Every unit's exhaust run: ``units`` with unit_id, length (within, over_limit, unknown) and
    drop_bin (0: unknown); ``drops`` (bins + 1,) the median pressure drop of each bin in pascals;
    ``said``: the flag in numbers, with the caution that belongs beside it."""

    units: pd.DataFrame
    drops: np.ndarray
    said: dict[str, Any]


def run_lengths(session: Session, edition: str) -> Runs:
    """How long each exhaust run is by the code's table, and how hard air is pushed through it.

    Notes
    -----
    Pressure drop: Darcy-Weisbach with Colebrook friction over the equivalent length at 150 cubic
    feet a minute, every duct as smooth metal: a scale to order runs by, not a measurement. The
    code's deduction for an elbow is no hydraulic equivalent.

    Raises
    ------
    InputError : no such edition.
    """
    units = session.run("stg_units").sort_values("unit_id", kind="stable", ignore_index=True)
    number = {
        name: pd.to_numeric(units[name], errors="coerce").to_numpy(float)
        for name in ("duct_length_m", "elbows_90", "elbows_45", "elbow_radius_m", "duct_diameter_m",
                     "duct_limit_m")
    }  # fmt: skip
    radius = number["elbow_radius_m"]
    nominal = np.array([inches * INCH for inches in ELBOW_LENGTH])
    listed = (np.abs(radius[:, None] - nominal) <= RADIUS_TOLERANCE).any(axis=1)
    odd = ~listed & ~np.isnan(radius)
    length = equivalent_length(
        number["duct_length_m"],
        elbows_90=number["elbows_90"],
        elbows_45=number["elbows_45"],
        elbow_radius=np.where(odd, np.nan, radius),
        edition=edition,
    )
    run = over_limit(length, maker_limit=number["duct_limit_m"], edition=edition)
    bore = number["duct_diameter_m"]
    drop = pressure_drop(length, flow=FLOW, diameter=np.where(bore > 0, bore, 4 * INCH))
    known = np.asarray(run.known)
    word = np.where(~known, UNKNOWN, np.where(run.over, "over_limit", "within"))
    bins = np.zeros(len(units), dtype=np.int64)
    if known.any():
        order = pd.Series(drop[known]).rank(method="first").to_numpy() - 1
        bins[known] = (order * DROP_BINS // known.sum()).astype(np.int64) + 1
    drops = np.array(
        [0.0, *(np.median(drop[bins == k]) if (bins == k).any() else 0.0 for k in range(1, 11))]
    )
    longest = np.argsort(np.where(known & run.over, -run.excess, np.inf), kind="stable")
    shown = longest[: min(LONGEST_SHOWN, int((known & run.over).sum()))]
    said = {
        "edition": edition,
        "table": CODE_TABLE.get(edition, "mitred elbows only"),
        "code_limit_m": float(BASE_LENGTH[edition]),
        "known": int(known.sum()),
        "over_limit": int((known & run.over).sum()),
        "by_makers_limit": int(run.by_maker.sum()),
        "unknown": int((~known).sum()),
        "odd_radius_taken_as_mitred": int(odd.sum()),
        "longest": [
            {
                "unit_id": str(units["unit_id"].iloc[k]),
                "equivalent_m": float(run.equivalent[k]),
                "limit_m": float(run.limit[k]),
                "excess_m": float(run.excess[k]),
                "pressure_drop_pa": float(drop[k]),
            }
            for k in shown
        ],
        "flow_m3_per_s": FLOW,
        "caution": CAUTION,
    }
    frame = pd.DataFrame({"unit_id": units["unit_id"], "length": word, "drop_bin": bins})
    return Runs(units=frame, drops=drops, said=said)
