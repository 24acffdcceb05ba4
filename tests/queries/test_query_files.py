"""Every query file: its header, its style, and that it runs on the demo company."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import duckdb
import pytest

from failstats.errors import QueryError
from failstats.records import Records
from failstats.warehouse.queries import HEADER, Query, all_queries, find_query, read_query

SAMPLE = {
    "clustered": False,
    "part": "coil",
    "parts": ["belt", "coil"],
    "births": ["known"],
    "followed": ["contract", "call_out"],
    "by": [],
    "bracket": "stated_end",
    "clock": "days",
    "complaint": "no_heat",
    "first": "cutout",
    "second": "thermostat",
    "ahead": 395,
    "reaction": 30,
    "clean": "under_12",
    "step": 91,
    "control": "door_switch",
    "starts": [dt.date(2025, 11, 5), dt.date(2025, 12, 3)],
    "days": 28,
    "since": dt.date(2024, 1, 1),
    "start": dt.date(2024, 1, 1),
    "warranty_days": 90,
    "limit": 5,
    "low": 8.0,
    "high": 15.0,
    "modes": ["open_circuit"],
    "measured": ["coil"],
    "classes": ["8_to_15_ohm"],
    "below": "4",
    "as_of": dt.date(2024, 6, 30),
}
QUERIES = sorted(all_queries())


@pytest.mark.parametrize("name", QUERIES)
def test_header_is_complete(name: str) -> None:
    query = find_query(name)
    assert tuple(query.header) == HEADER
    assert all(query.header.values())
    for parameter in query.params:
        assert f"${parameter}" in query.header["params"]


@pytest.mark.parametrize("name", QUERIES)
def test_style(name: str) -> None:
    query = find_query(name)
    code = re.sub(r"'[^']*'", "''", re.sub(r"--[^\n]*", "", query.sql))
    assert ";" not in code
    assert re.search(r"\bas [a-z]\b(?!\w)", code) is None, "one-letter alias"
    assert query.sql == query.sql.replace("\t", " ")
    if query.is_view:
        assert not query.params


@pytest.mark.parametrize("name", QUERIES)
def test_inputs_are_what_the_select_reads(name: str) -> None:
    query = find_query(name)
    read = set(re.findall(r"\b(?:from|join)\s+((?:stg|fact|check)_[a-z_]+|raw\.[a-z]+)", query.sql))
    named = set(re.findall(r"(?:stg|fact|check)_[a-z_]+|raw\.[a-z]+", query.header["inputs"]))
    assert read == named


@pytest.mark.parametrize("name", QUERIES)
def test_runs_on_the_demo(name: str, demo_records: Records) -> None:
    query = find_query(name)
    unknown = [parameter for parameter in query.params if parameter not in SAMPLE]
    assert not unknown, "give the new parameter a sample value here"
    demo_records.query(name, **{parameter: SAMPLE[parameter] for parameter in query.params})


def test_every_name_is_used_once_and_is_the_files(tmp_path: Path) -> None:
    for query in all_queries().values():
        assert query.header["name"] == query.name
    wrong = tmp_path / "facts" / "fact_wrong.sql"
    wrong.parent.mkdir()
    wrong.write_text("-- name: fact_other\n-- answers: x\nselect 1")
    with pytest.raises(QueryError, match="begins with the header"):
        read_query(wrong)


def test_unknown_query_lists_the_known_ones() -> None:
    with pytest.raises(QueryError, match="must be one of the files") as caught:
        find_query("fact_nothing")
    assert "fact_lives" in caught.value.where


def test_missing_parameter_is_named(demo_records: Records) -> None:
    with pytest.raises(QueryError, match="births, bracket, by, clock, followed is missing"):
        demo_records.query("lives_cells", part="coil")
    with pytest.raises(QueryError, match="colour was given"):
        demo_records.query("stg_units", colour="red")


def test_wrong_type_of_parameter_is_said(demo_records: Records) -> None:
    with pytest.raises(QueryError, match="must be of its types"):
        demo_records.query("rules_readings", part="coil", low="few", high="many")


def test_view_without_as_of_fails_loudly() -> None:
    clock = find_query("stg_clock")
    with duckdb.connect() as connection:
        connection.execute("create schema raw")
        connection.execute("create table raw.settings (name varchar, value varchar)")
        with pytest.raises(duckdb.Error, match="as_of is not set"):
            connection.execute(clock.sql).fetchall()
        connection.execute("set variable as_of = date '2024-06-30'")
        assert connection.execute(clock.sql).fetchall()[0][0] == dt.date(2024, 6, 30)


def test_query_is_a_view_by_its_folder() -> None:
    def made(folder: str) -> Query:
        return Query(name="x", folder=folder, header={}, sql="", params=())

    assert made("facts").is_view
    assert not made("lives").is_view
