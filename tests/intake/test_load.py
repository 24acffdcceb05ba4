"""What a load keeps, quarantines, counts twice and corrects."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import pytest

from failstats.errors import InputError
from failstats.intake.load import load

UNITS = "unit_id,family,installed_on,duct_length\nu1,E1,2019-03-14,12 ft\nu2,E2,,3.6 m\n"
JOBS = "job_id,unit_id,visited_on\nj1,u1,2020-01-02\nj2,u9,2020-02-03\n"
LINES = "job_id,part,finding,action,reading\nj1,coil,failed,replaced,OL\nj2,belt,worn,replaced,\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three small tables."""
    place = tmp_path / "records"
    place.mkdir()
    for name, text in (("units", UNITS), ("jobs", JOBS), ("lines", LINES)):
        (place / f"{name}.csv").write_text(text)
    return place


def rows(warehouse: Path, query: str) -> list[tuple[object, ...]]:
    """What a query returns."""
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        return connection.execute(query).fetchall()


def test_every_row_is_counted_once(tmp_path: Path, folder: Path) -> None:
    result = load(tmp_path / "w.duckdb", [folder])
    assert {row["table"]: (row["rows_in"], row["good"]) for row in result.batches} == {
        "units": (2, 2), "jobs": (2, 2), "lines": (2, 2),
    }  # fmt: skip
    assert result.quarantined == 0
    assert rows(tmp_path / "w.duckdb", "select duct_length_m, line from raw.units order by 2") == [
        (3.6576, 2), (3.6, 3), (None, 3),
    ]  # fmt: skip


def test_a_job_on_an_unlisted_unit_makes_a_call_out_unit(tmp_path: Path, folder: Path) -> None:
    load(tmp_path / "w.duckdb", [folder])
    made = rows(
        tmp_path / "w.duckdb",
        "select unit_id, family, fuel, enrolled_on, file, line from raw.units "
        "where family = 'unknown'",
    )
    assert made == [("u9", "unknown", "electric", None, "jobs.csv", 3)]
    remarks = rows(tmp_path / "w.duckdb", 'select "check", file, line from raw.remarks')
    assert remarks == [("unit_not_listed", "jobs.csv", 3)]


def test_the_same_files_twice_change_nothing(tmp_path: Path, folder: Path) -> None:
    load(tmp_path / "w.duckdb", [folder])
    before = (tmp_path / "w.duckdb").read_bytes()
    again = load(tmp_path / "w.duckdb", [folder])
    assert again.batches == []
    assert "units.csv: already loaded as batch 1, nothing changed" in again.notes
    assert (tmp_path / "w.duckdb").read_bytes() == before


def test_a_later_row_with_other_content_is_a_correction(tmp_path: Path, folder: Path) -> None:
    load(tmp_path / "w.duckdb", [folder])
    (folder / "units.csv").write_text(UNITS.replace("E2", "E3"))
    second = load(tmp_path / "w.duckdb", [folder])
    (row,) = second.batches
    assert (row["rows_in"], row["good"], row["duplicates"], row["corrected"]) == (2, 1, 1, 1)
    versions = rows(
        tmp_path / "w.duckdb",
        "select family, batch, superseded_in from raw.units where unit_id = 'u2' order by batch",
    )
    assert versions == [("E2", 1, 2), ("E3", 2, None)]


def test_dates_from_1970_to_tomorrow(put, ask) -> None:
    today = dt.date.today()
    days = [dt.date(1969, 12, 31), dt.date(1970, 1, 1), today + dt.timedelta(days=1),
            today + dt.timedelta(days=2)]  # fmt: skip
    rows = "".join(f"u{at},E1,{day}\n" for at, day in enumerate(days))
    assert put(units="unit_id,family,installed_on\n" + rows).quarantined == 2
    assert ask("select unit_id from raw.units order by 1") == [("u1",), ("u2",)]


def test_one_batch_per_load_and_one_ledger_row_per_file(put, ask) -> None:
    first = put(units=UNITS, jobs=JOBS)
    second = put(lines=LINES)
    assert [row["batch"] for row in (*first.batches, *second.batches)] == [1, 1, 2]
    assert first.to_dict() == {"batches": first.batches}
    assert list(first.table().columns) == [
        "batch", "table", "file", "rows_in", "good", "quarantined", "duplicates", "corrected",
        "loaded_at",
    ]  # fmt: skip
    assert ask("select count(*), count(distinct sha256), min(length(sha256)) from raw.batches") == [
        (3, 3, 64)
    ]
    assert dict(ask("select name, value from raw.settings where name not like '%stated'")) == {
        "format": "2", "records_from": "2020-01-02", "records_to": "2020-02-03",
        "records_end_assumed": "yes", "currency": "USD", "currency_assumed": "yes",
    }  # fmt: skip


def test_defaults_stand_for_blanks(put, ask) -> None:
    put(units=UNITS, jobs=JOBS, lines=LINES, cleanings="unit_id,cleaned_on\nu1,2020-01-01\n",
        vans="van_id\nv1\n", catalogue="item_id,part,family,price\ni1,coil,*,40\n")  # fmt: skip
    assert ask("select distinct fuel, vent_new, round(duct_diameter_m, 4), elbow_radius_m "
               "from raw.units") == [("electric", False, 0.1016, None)]  # fmt: skip
    assert ask("select distinct kind from raw.jobs") == [("call_out",)]
    assert ask("select distinct position, test from raw.lines") == [(1, None)]
    assert ask("select scope from raw.cleanings") == [("full_run",)]
    assert ask("select cycle_days from raw.vans") == [(28.0,)]
    assert ask("select field_fit from raw.catalogue") == [(True,)]


def test_the_same_name_from_two_folders_is_refused(tmp_path: Path, folder: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "units.csv").write_text(UNITS)
    with pytest.raises(InputError, match=r"'units\.csv' comes from two folders"):
        load(tmp_path / "w.duckdb", [folder, other])
    assert len(load(tmp_path / "w.duckdb", [folder, folder / "units.csv"]).batches) == 3


def test_a_folder_inside_a_folder_is_said_not_to_be_read(warehouse, tmp_path):
    folder = tmp_path / "records"
    (folder / "older").mkdir(parents=True)
    (folder / "empty").mkdir()
    (folder / "units.csv").write_text("unit_id,family\nu1,E1\n")
    (folder / "older" / "jobs.csv").write_text("job_id,unit_id,visited_on\nj1,u1,2020-01-02\n")
    told = str(load(warehouse, [folder]))
    assert "records/older: a folder in a folder is not read" in told
    assert "empty" not in told
    told = str(load(warehouse, [folder, folder / "older"]))
    assert "is not read" not in told
