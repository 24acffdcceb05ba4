"""Stretches at risk of one part, for the models of `vents`: rows of units, as few bytes as can be.

What is counted by age and pattern of covariates is no smaller than the rows, so the rows travel;
but without ids: units and clusters are numbered, and a unit's run is looked up where it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from failstats.answers.vents_models import UNKNOWN
from failstats.answers.vents_runs import Runs, runs_of_units
from failstats.counts.bootstrap import key_of
from failstats.warehouse.session import Session

__all__ = ["part_keys", "part_rows", "same_unit_rows"]

ROWS_AT_ONCE = 500_000
NUMBERED = ("unit_id", "cluster_id")


def _with_lists(rows: pa.Table) -> pa.Table:
    """Texts as numbers of a list; ages as whole days."""
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


def _coded(session: Session, query: str, given: dict[str, Any]) -> pa.Table:
    """The rows of one session with lists, some rows at a time."""
    found = [
        _with_lists(pa.Table.from_batches([batch]))
        for batch in session.batches(query, rows=ROWS_AT_ONCE, **given)
    ] or [_with_lists(session.arrow(query, **given))]
    return pa.concat_tables(found).unify_dictionaries()


def _whole(column: pa.ChunkedArray) -> pa.DictionaryArray:
    """A column of one list of texts as one array."""
    chunks = column.combine_chunks()
    return pa.concat_arrays(chunks.chunks) if isinstance(chunks, pa.ChunkedArray) else chunks


def _numbered(table: pa.Table) -> tuple[pa.Table, list[str]]:
    """Ids as numbers, from 0 in the order in which they come; and the ids of the units."""
    units: list[str] = []
    for name in NUMBERED:
        coded = _whole(table.column(name))
        if name == "unit_id":
            units = coded.dictionary.to_pylist()
        place = table.schema.get_field_index(name)
        table = table.set_column(place, name, coded.indices.cast(pa.int32()))
    return table, units


def _stretches(
    session: Session, query: str, given: dict[str, Any], edition: str, known: pd.DataFrame
) -> pa.Table:
    """Of some units."""
    runs = session.hold(("vents_unit_runs", edition), lambda: runs_of_units(session, known))
    table, units = _numbered(_coded(session, query, given))
    place = pd.Index(runs["unit_id"]).get_indexer(units)
    unit = table.column("unit_id").to_numpy()
    words = np.append(runs["length"].fillna(UNKNOWN).to_numpy(object), UNKNOWN)[place]
    bins = np.append(runs["drop_bin"].fillna(0).to_numpy(np.int64), 0)[place]
    length = pa.array(words, pa.string()).dictionary_encode()
    return table.append_column(
        "length", pa.DictionaryArray.from_arrays(length.indices.take(unit), length.dictionary)
    ).append_column("drop_bin", pa.array(bins[unit]))


def _together(tables: Sequence[pa.Table]) -> pd.DataFrame:
    """The rows of all units: words as categories in the order of the alphabet; numbers of units
    and clusters run on from table to table."""
    first = dict.fromkeys(NUMBERED, 0)
    shifted = []
    for table in tables:
        for name in NUMBERED:
            numbers = table.column(name).to_numpy() + np.int32(first[name])
            place = table.schema.get_field_index(name)
            table = table.set_column(place, name, pa.array(numbers))
            first[name] = int(numbers.max()) + 1 if numbers.size else first[name]
        shifted.append(table)
    whole = pa.concat_tables(shifted).unify_dictionaries().combine_chunks()
    columns: dict[str, Any] = {}
    for name in whole.column_names:
        column = whole.column(name)
        columns[name] = (
            _categories(_whole(column))
            if pa.types.is_dictionary(column.type)
            else column.to_numpy()
        )
        whole = whole.drop_columns([name])
    return pd.DataFrame(columns, copy=False)


def _categories(coded: pa.DictionaryArray) -> pd.Categorical:
    words = coded.dictionary.to_pylist()
    order = np.argsort(words)
    rank = np.empty(len(words), dtype=np.int8 if len(words) < 128 else np.int32)
    rank[order] = np.arange(len(words))
    return pd.Categorical.from_codes(
        rank[coded.indices.to_numpy()], categories=[words[at] for at in order]
    )


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
    One row per stretch, a third of what its texts would take: the columns of the query, length and
    drop_bin; words are categories in the order of the alphabet, `unit_id` and `cluster_id` whole
    numbers from 0 that tell units and clusters (buildings, else units) apart.
    """
    given = {"part": part, "followed": list(followed), **more}
    return _together(
        session.map_units(
            _stretches,
            query,
            given,
            runs.said["edition"],
            runs.known,
            reading=(query, "vents_unit_runs"),
        )
    )


def _pairs(session: Session, given: dict[str, Any]) -> pa.Table:
    table = _with_lists(session.arrow("vents_same_unit", **given))
    aged = pc.and_(pc.greater(table["part_age"], 0), pc.greater(table["control_age"], 0))
    return _numbered(table.filter(aged).unify_dictionaries())[0]


def same_unit_rows(
    session: Session, part: str, control: str, followed: Sequence[str]
) -> pd.DataFrame:
    """Failures of a part and of its control in one unit, ids as numbers as of `part_rows`."""
    given = {"part": part, "control": control, "followed": list(followed)}
    return _together(session.map_units(_pairs, given, reading=("vents_same_unit",)))


def _keys(session: Session, query: str, given: dict[str, Any]) -> NDArray[np.uint64]:
    labels = session.run(query, **given)["cluster_id"].unique()
    return np.array([key_of(str(label)) for label in labels], dtype=np.uint64)


def part_keys(
    session: Session, query: str, part: str, followed: Sequence[str], **more: Any
) -> NDArray[np.uint64]:
    """(clusters,) what the draws of each cluster of `part_rows` hang on, in the order of its
    numbers; see `failstats.counts.bootstrap.weights`."""
    given = {"part": part, "followed": list(followed), **more}
    return np.concatenate(session.map_units(_keys, query, given, reading=(query,)))
