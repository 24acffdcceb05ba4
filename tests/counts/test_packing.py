"""What travels comes out as it went in: every value, blank and type."""

from __future__ import annotations

import datetime as dt

import duckdb
import numpy as np
import pyarrow as pa
import pytest

from failstats.counts.packing import Packed, add_packed
from failstats.warehouse.sums import in_pairs, plus

COLUMNS = {
    "age": pa.array([0, 1, 5, 5, 9], pa.int64()),
    "falling": pa.array([2**62, 7, 3, -(2**62), 0], pa.int64()),
    "blank": pa.array([None, 3, None, 4, 2], pa.int32()),
    "all blank": pa.array([None] * 5, pa.int16()),
    "small": pa.array([255, 0, 1, 2, 3], pa.uint8()),
    "key": pa.array([2**64 - 1, 0, 1, 2, 3], pa.uint64()),
    "day": pa.array([dt.date(1969, 1, 1), None, dt.date(2026, 11, 30)] * 2, pa.date32())[:5],
    "word": pa.array(["belt", None, "belt", "", "belt"], pa.string()),
    "id": pa.array(["u1", "u2", "u3", "u4", "ü5"], pa.string()),
    "share": pa.array([0.1, None, float("nan"), float("inf"), -0.0], pa.float64()),
    "flag": pa.array([True, None, False, True, False], pa.bool_()),
}


@pytest.mark.parametrize("rows", [0, 1, 5])
def test_a_table_is_opened_as_it_was(rows: int) -> None:
    table = pa.table(COLUMNS).slice(0, rows)
    found = Packed.of(table).open()
    assert found.schema == table.schema
    for name in COLUMNS:
        assert found[name].to_pylist().__repr__() == table[name].to_pylist().__repr__()


def test_types_of_the_database_are_kept() -> None:
    table = duckdb.sql(
        "select sum(i) as total, count(*) as n, i % 7 as digit, [i % 2] as list, "
        "cast(i % 3 as decimal(9, 2)) as money, timestamp '2026-11-30 10:00:00' as at "
        "from range(1000) as numbers(i) group by all order by all"
    ).to_arrow_table()
    assert Packed.of(table).open().equals(table)


def test_chunks_make_no_difference() -> None:
    table = pa.concat_tables([pa.table(COLUMNS), pa.table(COLUMNS)])
    assert table["age"].num_chunks == 2
    assert Packed.of(table).open()["age"].to_pylist() == table["age"].to_pylist()


def test_counts_by_age_take_a_byte_or_two_each() -> None:
    rng = np.random.default_rng(1)
    ages = np.arange(3000)
    table = pa.table({"age": ages, "entered": rng.poisson(3.0, 3000), "word": ["belt"] * 3000})
    assert table.nbytes > 60_000
    assert len(Packed.of(table).data) < 2_500


def test_sums_remember_what_left_the_partitions() -> None:
    one, other = Packed.of({"a": 1}), Packed.of({"a": 2})
    both = add_packed(plus, one, other)
    assert both.open() == {"a": 3}
    assert both.left == len(one.data) + len(other.data)


def test_neighbours_are_added_first() -> None:
    assert in_pairs(range(1), plus) == 0
    for n in range(1, 20):
        assert in_pairs(range(n), plus) == n * (n - 1) // 2
    assert in_pairs("abcdefg", lambda one, other: f"({one}{other})") == "(((ab)(cd))((ef)g))"


def test_nothing_added_changes_nothing() -> None:
    assert plus(None, (1, {"x": 2})) == (1, {"x": 2})
    assert plus({"x": np.ones(2)}, None)["x"].tolist() == [1, 1]
    with pytest.raises(ValueError, match="zip"):
        plus((1, 2), (1,))


def test_lists_of_words_stay_lists() -> None:
    words = pa.array(["belt", "coil", "belt", None]).dictionary_encode()
    table = pa.table({"part": words, "n": [1, 2, 3, 4]})
    found = Packed.of(table).open()
    assert found.schema == table.schema
    assert found["part"].to_pylist() == ["belt", "coil", "belt", None]
