"""Who is at risk: boundaries, bad input, and building a table three ways."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError


def test_at_risk_is_open_below_and_closed_above():
    table = RiskTable.from_lives([0, 3], [5, 7], ["wear", ""])
    given = [0, 1, 3, 3.5, 5, 5.5, 7, 8]
    expected = [1, 1, 1, 2, 2, 1, 1, 0]
    assert table.at_risk_at(given).tolist() == expected


def test_entering_and_leaving_on_one_day_do_not_meet():
    table = RiskTable.from_lives([0, 5], [5, 9], ["wear", "wear"])
    assert table.at_risk_at([5]).tolist() == [1]


def test_day_zero_failures_are_at_risk_on_day_zero():
    table = RiskTable.from_lives(0, [0, 0, 4], ["wear", "", "wear"])
    assert table.age.tolist() == [0, 4]
    assert table.at_risk.tolist() == [3, 1]
    assert table.exposure == 4
    assert table.dropped == 0


def test_a_life_of_no_length_is_dropped_and_counted():
    table = RiskTable.from_lives([0, 4, 0], [3, 4, 0], ["wear", "wear", "wear"])
    assert (table.lives, table.failures, table.dropped) == (2, 2, 1)


def test_entry_after_exit_is_refused_with_rows():
    with pytest.raises(InputError) as caught:
        RiskTable.from_lives([0, 9, 0, 8], [3, 4, 5, 2], [""] * 4)
    assert caught.value.rows == [1, 3]
    assert str(caught.value) == (
        "entry must not lie after exit, but 2 of 4 lives do.\n"
        "where: rows 1, 3 (first: 9 > 4)\n"
        "do: correct the dates of these lives, or leave them out."
    )


@pytest.mark.parametrize(
    ("cause", "expected"),
    [
        (np.array(["a", None, "b", ""], dtype=object), {"a": 1, "b": 1}),
        (pd.Series(["a", pd.NA, "b", None]), {"a": 1, "b": 1}),
        (pd.Series(["a", np.nan, "b", ""], dtype="category"), {"a": 1, "b": 1}),
        ([True, False, True, False], {"failed": 2}),
        (["", "", "", ""], {}),
    ],
)
def test_causes_however_they_come(cause, expected):
    table = RiskTable.from_lives(0, [1, 2, 3, 4], cause)
    assert {name: int(counts.sum()) for name, counts in table.failed.items()} == expected
    assert table.lives == 4


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"entry": 0, "exit": [1, 2], "cause": [""]}, "equally long"),
        ({"entry": 0, "exit": [1, np.nan], "cause": ["", ""]}, "exit must be an age of 0 or more"),
        ({"entry": -1, "exit": [1], "cause": [""]}, "entry must be an age of 0 or more"),
        ({"entry": 0, "exit": [1], "cause": [1]}, "cause must be words"),
        ({"entry": 0, "exit": [1], "cause": np.array([3], dtype=object)}, "cause must be a word"),
        ({"entry": 0, "exit": [1], "cause": ["a"], "weights": [-1]}, "weights must be 0 or more"),
    ],
)
def test_bad_lives(arguments, words):
    with pytest.raises(InputError, match=words):
        RiskTable.from_lives(**arguments)


@pytest.mark.parametrize(
    ("age", "entered", "failed", "left", "words"),
    [
        ([0, 0], [2, 0], [0, 1], [0, 1], "ascending and distinct"),
        ([3, 2], [2, 0], [0, 1], [0, 1], "ascending and distinct"),
        ([-1, 2], [2, 0], [0, 1], [0, 1], "age must be 0 or more"),
        ([0, 2], [2], [0, 1], [0, 1], "one count per age"),
        ([0, 2], [2, 0], [0, -1], [0, 3], "must be 0 or more"),
        ([0, 2], [2, 0], [0, 2], [0, 1], "no more lives can fail or leave"),
        ([0, 2], [2, 0], [0, 1], [0, 0], "every life that enters must fail or leave"),
        ([0, 2], [1, 1], [0, 1], [0, 1], "no more lives can fail or leave"),
    ],
)
def test_bad_tables(age, entered, failed, left, words):
    with pytest.raises(InputError, match=words):
        RiskTable(np.array(age), np.array(entered), {"wear": np.array(failed)}, np.array(left))


def cells() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "age": [5, 0, 0, 3],
            "entered": [0, 2, 3, 0],
            "left": [1, 0, 0, 1],
            "failed_wear": [1, 0, 0, 1],
            "failed_trip": [1, 0, 0, 0],
        }
    )


def test_cells_may_repeat_and_come_in_any_order():
    table = RiskTable.from_cells(cells())
    assert table.age.tolist() == [0, 3, 5]
    assert table.entered.tolist() == [5, 0, 0]
    assert table.at_risk.tolist() == [5, 5, 3]
    assert table.causes == ("wear", "trip")
    assert table.entered.dtype == np.int64


def test_cells_from_arrow():
    arrow = pytest.importorskip("pyarrow")
    table = RiskTable.from_cells(arrow.Table.from_pandas(cells()))
    assert table.at_risk.tolist() == [5, 5, 3]


def test_cells_lacking_a_column():
    with pytest.raises(InputError, match="left is missing"):
        RiskTable.from_cells(cells().drop(columns="left"))
    with pytest.raises(InputError, match="failed_<cause> is missing"):
        RiskTable.from_cells(cells()[["age", "entered", "left"]])


def test_one_cause_alone_and_causes_together():
    table = RiskTable.from_cells(cells())
    wear = table.only("wear")
    assert wear.causes == ("wear",)
    assert wear.left.tolist() == [0, 1, 2]
    assert wear.at_risk.tolist() == table.at_risk.tolist()
    both = table.merge_causes("any")
    assert both.failed["any"].tolist() == [0, 1, 2]
    assert both.left.tolist() == table.left.tolist()
    with pytest.raises(InputError, match="cause must be one of wear, trip, but rust"):
        table.only("rust")


def test_adding_needs_one_unit():
    days = RiskTable.from_lives(0, [3], ["wear"])
    with pytest.raises(InputError, match="share one unit"):
        _ = days + days.rescaled(1 / 7, "weeks")


def test_nothing_can_be_written_to():
    table = RiskTable.from_lives(0, [3], ["wear"])
    for array in (table.age, table.entered, table.left, table.failed["wear"]):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 7


def test_no_lives_at_all():
    table = RiskTable.from_lives([], [], np.array([], dtype=str))
    assert (table.lives, table.failures, table.exposure) == (0, 0, 0)
    assert table.at_risk_at([0, 5]).tolist() == [0, 0]


def test_weights_stand_for_lives():
    whole = RiskTable.from_lives(0, [3, 4], ["wear", ""], weights=[2, 3])
    assert whole.lives == 5
    assert whole.entered.dtype == np.int64
    part = RiskTable.from_lives(0, [3, 4], ["wear", ""], weights=[0.5, 1.25])
    assert part.lives == 1.75
    assert part.at_risk.tolist() == [1.75, 1.75, 1.25]


def test_text_says_the_counts():
    assert str(RiskTable.from_lives([0, 2, 4], [3, 5, 4], ["wear", "", ""])) == (
        "2 lives, 1 failed (wear 1)\n"
        "ages 0 to 5 days, 6 days at risk\n"
        "1 dropped: entered and left at one age"
    )
