"""Tables beside the page: nothing a spreadsheet runs, nothing small shown to outsiders."""

import csv
import io

import numpy as np
import pandas as pd
import pytest

from failstats.report.tables import csv_text, page_table, safe_cell, withhold_small


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n=", " ="])
def test_text_that_a_spreadsheet_would_run_gets_an_apostrophe(start):
    assert safe_cell(f"{start}cmd") == f"'{start}cmd"


@pytest.mark.parametrize("value", ["coil", "E-27", "a=b", 5, -3.5, True])
def test_other_cells_stay_as_they_are(value):
    assert safe_cell(value) == value


def test_csv_keeps_numbers_exact_and_headings_safe():
    frame = pd.DataFrame({"=part": ["=1+1", "a,b"], "share": [-0.1, np.nan], "n": [3, 4]})
    rows = list(csv.reader(io.StringIO(csv_text(frame))))
    assert rows == [["'=part", "share", "n"], ["'=1+1", "-0.1", "3"], ["a,b", "", "4"]]


def units(*counts):
    return pd.DataFrame(
        {"part": list("abcdef")[: len(counts)], "unit_count": counts, "share": [0.1] * len(counts)}
    )


@pytest.mark.parametrize(
    ("counts", "blank"),
    [
        ((10, 11, 12), ""),
        ((9, 8, 12), "ab"),
        ((9, 50, 40), "ac"),  # one alone could be had by subtraction: the next smallest goes too
        ((9,), "a"),
        ((0, 10), "ab"),
    ],
)
def test_the_boundary_is_fewer_than_ten_units(counts, blank):
    shown, hidden = withhold_small(units(*counts))
    assert hidden == len(blank)
    assert "".join(shown.loc[shown["share"].isna(), "part"]) == blank
    assert shown["part"].tolist() == list("abcdef")[: len(counts)]


def test_a_table_without_a_count_of_units_cannot_be_judged():
    frame = units(1, 2).drop(columns="unit_count")
    assert withhold_small(frame)[1] == 0


def test_the_page_joins_intervals_and_says_units():
    frame = pd.DataFrame(
        {
            "part": ["coil", "fuse"],
            "share": [0.153, 0.0],
            "low": [0.12, np.nan],
            "high": [0.19, np.nan],
            "median_days": [4492.6, np.nan],
            "median_low": [4000.0, 10.0],
            "median_high": [5000.0, np.nan],
            "known": [True, False],
        }
    )
    page = page_table(frame)
    assert page.heads == ("part", "share", "interval", "median (days)", "median interval", "known")
    assert page.rows[0] == ("coil", "15 %", "12 to 19 %", "4,493", "4,000 to 5,000", "yes")
    assert page.rows[1] == ("fuse", "0 %", "", "", "10 to no limit", "no")
    assert page.right == (False, True, True, True, True, False)


def test_long_tables_are_cut_on_the_page_and_say_so():
    page = page_table(pd.DataFrame({"n": range(1000)}))
    assert len(page.rows) == 200
    assert page.left_out == 800


def test_an_empty_table():
    assert page_table(pd.DataFrame({"n": []})).rows == ()
    assert page_table(pd.DataFrame()).heads == ()


def test_counts_of_fewer_than_ten_units_are_marked():
    page = page_table(units(9, 10))
    assert [row[1] for row in page.rows] == ["9 (few)", "10"]
    assert page.few == 10
    assert page_table(units(10)).few == 0


def test_an_interval_is_headed_like_its_figure():
    frame = pd.DataFrame(
        {"scale_days": [4241.0], "scale_days_low": [1.0], "scale_days_high": [2.0]}
    )
    assert page_table(frame).heads == ("scale (days)", "scale (days) interval")
