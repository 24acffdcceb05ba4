"""Counts of episodes by stratum, pattern and age."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from failstats.counts.pattern_table import COLUMNS, PatternTable
from failstats.errors import InputError


def rows_of(table):
    return table.table().to_numpy().tolist()


def random_episodes(seed, rows=400):
    rng = np.random.default_rng(seed)
    start = rng.integers(0, 20, rows) * rng.integers(0, 2, rows)
    stop = start + rng.integers(0, 15, rows)
    return {
        "start": start,
        "stop": stop,
        "failed": rng.integers(0, 2, rows),
        "pattern": rng.integers(0, 4, rows),
        "stratum": rng.integers(0, 3, rows),
    }


def test_by_hand():
    table = PatternTable.from_episodes(
        start=[0, 0, 5], stop=[5, 8, 8], failed=[0, 1, 1], pattern=[0, 1, 1], stratum=[0, 0, 0]
    )
    # stratum, pattern, age, entered, failed, left
    assert rows_of(table) == [
        [0, 0, 0, 1, 0, 0],
        [0, 0, 5, 0, 0, 1],
        [0, 1, 0, 1, 0, 0],
        [0, 1, 5, 1, 0, 0],
        [0, 1, 8, 0, 2, 0],
    ]
    assert (table.failures, table.pattern_count, table.dropped) == (2, 2, 0)


def test_entry_at_exit_is_dropped_and_counted_but_day_zero_counts():
    table = PatternTable.from_episodes([4, 0, 7], [4, 0, 7], [1, 1, 0], [0, 0, 0])
    assert table.dropped == 2
    assert rows_of(table) == [[0, 0, 0, 1, 1, 0]]


@pytest.mark.parametrize("seed", range(3))
def test_cells_equal_expanded_rows(seed):
    rows = random_episodes(seed)
    table = PatternTable.from_episodes(**rows)
    frame = pd.DataFrame(rows)
    empty = (frame.start == frame.stop) & (frame.stop > 0)
    assert table.dropped == int(empty.sum())
    frame = frame[~empty]
    cells = table.table().set_index(["stratum", "pattern", "age"])
    for (stratum, pattern, age), cell in cells.iterrows():
        here = frame[(frame.stratum == stratum) & (frame.pattern == pattern)]
        assert cell.entered == int((here.start == age).sum())
        assert cell.failed == int(((here.stop == age) & (here.failed == 1)).sum())
        assert cell.left == int(((here.stop == age) & (here.failed == 0)).sum())
    assert cells[["entered", "failed", "left"]].sum().tolist() == [
        len(frame),
        int(frame.failed.sum()),
        int((1 - frame.failed).sum()),
    ]


def test_row_order_is_irrelevant_and_partitions_add_up():
    rows = random_episodes(7)
    whole = PatternTable.from_episodes(**rows)
    order = np.random.default_rng(1).permutation(len(rows["start"]))
    mixed = {name: column[order] for name, column in rows.items()}
    assert rows_of(PatternTable.from_episodes(**mixed)) == rows_of(whole)
    first = PatternTable.from_episodes(**{name: column[:150] for name, column in rows.items()})
    second = PatternTable.from_episodes(**{name: column[150:] for name, column in rows.items()})
    assert rows_of(first + second) == rows_of(whole)
    assert (first + second).dropped == whole.dropped


@pytest.mark.parametrize("carrier", ["frame", "arrow", "dict", "pieces"])
def test_cells_from_any_carrier(carrier):
    whole = PatternTable.from_episodes(**random_episodes(3))
    frame = whole.table()
    given = {
        "frame": frame.sample(frac=1, random_state=0),
        "arrow": pa.Table.from_pandas(frame),
        "dict": {name: frame[name].to_numpy() for name in COLUMNS},
        # the same cell on two rows: entered on one, failed and left on the other
        "pieces": pd.concat([frame.assign(entered=0), frame.assign(failed=0, left=0)]),
    }[carrier]
    assert rows_of(PatternTable.from_cells(given)) == rows_of(whole)


def test_sparse_codes_give_the_same_cells():
    rows = random_episodes(5)
    near = PatternTable.from_episodes(**rows)
    far = PatternTable.from_episodes(**{**rows, "stratum": rows["stratum"] * 1_000_000})
    shifted = far.table()
    shifted["stratum"] //= 1_000_000
    assert shifted.to_numpy().tolist() == rows_of(near)


def test_arrays_are_read_only_and_empty_is_allowed():
    table = PatternTable.from_episodes([0], [3], [1], [0])
    with pytest.raises(ValueError, match="read-only"):
        table.failed[0] = 5
    empty = PatternTable.from_episodes([], [], [], [])
    assert (empty.failures, empty.pattern_count) == (0, 0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"start": [3, 9]}, "start must not be after stop, but 1 of 2 rows"),
        ({"stop": [5.5, 6]}, "stop must hold whole numbers, but 1 of 2 rows"),
        ({"stop": [np.nan, 6]}, "stop must hold whole numbers, but 1 of 2 rows"),
        ({"start": [-1, 0]}, "start must be 0 or more, but 1 of 2 rows"),
        ({"failed": [2, 0]}, "failed must be 0 or 1, but 1 of 2 rows"),
        ({"pattern": [0]}, "all columns must be of one length"),
        ({"pattern": ["a", "b"]}, "pattern must hold whole numbers"),
    ],
)
def test_bad_rows_are_refused(change, message):
    good = {"start": [0, 0], "stop": [5, 6], "failed": [1, 0], "pattern": [0, 0]}
    with pytest.raises(InputError, match=message):
        PatternTable.from_episodes(**{**good, **change})


def test_refusal_names_the_rows():
    with pytest.raises(InputError) as caught:
        PatternTable.from_episodes([0, 9, 0, 8], [5, 6, 7, 1], [0] * 4, [0] * 4)
    assert caught.value.rows == [1, 3]
    assert "rows 1, 3" in str(caught.value)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ({"entered": [1, 0], "failed": [0, 0], "left": [0, 0]}, "do not balance"),
        # an episode with start = stop > 0 that was not left out
        ({"age": [5, 5], "entered": [1, 0], "failed": [0, 1]}, "more exits than lives at risk"),
        ({"age": [5, 3], "entered": [1, 0], "failed": [0, 1]}, "more exits than lives at risk"),
        ({"failed": [0, -1]}, "failed must be 0 or more"),
    ],
)
def test_impossible_counts_are_refused(cells, message):
    good = {
        "stratum": [0, 0],
        "pattern": [0, 0],
        "age": [0, 3],
        "entered": [1, 0],
        "failed": [0, 1],
        "left": [0, 0],
    }
    assert PatternTable.from_cells(good).failures == 1
    with pytest.raises(InputError, match=message):
        PatternTable.from_cells({**good, **cells})


def test_missing_column_is_named():
    with pytest.raises(InputError, match="left is missing"):
        PatternTable.from_cells({name: [0] for name in COLUMNS if name != "left"})


def test_person_days_by_band_equal_rows():
    rows = random_episodes(11)
    table = PatternTable.from_episodes(**rows)
    cuts = [3, 10, 25]
    bands = table.person_days(cuts)
    frame = pd.DataFrame(rows)
    frame = frame[(frame.start < frame.stop) | (frame.stop == 0)]
    for band in bands.itertuples():
        here = frame[(frame.stratum == band.stratum) & (frame.pattern == band.pattern)]
        days = (
            here.stop.clip(band.from_age, band.to_age) - here.start.clip(band.from_age, band.to_age)
        ).sum()
        inside = (here.stop > band.from_age) & (here.stop <= band.to_age)
        if band.band == 0:
            days += 0.5 * (here.stop == 0).sum()
            inside |= here.stop == 0
        assert band.person_days == pytest.approx(days, abs=1e-9)
        assert band.failed == int(here.failed[inside].sum())
    assert bands.failed.sum() == frame.failed.sum()


def test_cuts_must_increase():
    table = PatternTable.from_episodes([0], [3], [1], [0])
    with pytest.raises(InputError, match="cuts must be increasing"):
        table.person_days([5, 5])
