"""Every check: given rows, the rows it returns, on both sides of every boundary."""

from __future__ import annotations

import shutil

import duckdb
import pytest

from failstats.answers.quality import quality
from failstats.intake.load import load
from failstats.warehouse.queries import all_queries
from failstats.warehouse.session import open_session

COLUMNS = ["check", "statement", "remedy", "table", "record_id", "detail"]
CHECKS = sorted(query.name for query in all_queries().values() if query.folder == "checks")
UNITS = "unit_id,family,fuel,installed_on,enrolled_on,left_on,elbow_radius,van_id\n"
CLEAN = {
    "units": UNITS + "u1,E1,electric,2019-01-01,2020-01-01,2022-12-31,6 in,v1\n"
    "u2,G1,gas,,,,,\nu3,E1,electric,,2020-01-01,,4 in,\n",
    "periods": "unit_id,enrolled_on,left_on\nu1,2023-01-01,\n",
    "jobs": "job_id,unit_id,visited_on,continues,van_id\nj1,u1,2021-01-01,,v1\n"
    "j2,u2,2021-01-02,,v2\nj3,u1,2021-01-05,j1,v1\nj4,u1,2023-01-01,,v1\n",
    "lines": "job_id,part,finding,test,action,reading,item_id\nj1,coil,failed,,replaced,OL,i1\n"
    "j1,cutout,working,hot_cycle,kept,OL,\nj2,igniter,failed,,replaced,,i1\n",
    "cleanings": "unit_id,cleaned_on,job_id\nu1,2020-01-01,\nu1,2022-12-31,\nu2,2019-01-01,\n"
    "u1,2021-01-01,j1\n",
    "catalogue": "item_id,part,family,price\ni1,coil,*,40\n",
    "carried": "van_id,item_id,quantity\nv1,i1,2\nv2,i1,1\n",
}
# check -> (rows added to the clean tables, what it must return)
BROKEN = {
    "check_overlapping_spans": ({"periods": "u3,2022-01-01,\nu1,2022-12-31,2022-12-31\n"},
                                [("u1",), ("u3",)]),
    "check_cleaning_outside_followed": (
        {"units": "u4,E1,electric,2010-01-01,2021-05-01,2021-05-31,,\n",
         "cleanings": "u4,2021-04-30,\nu4,2021-05-01,\nu4,2021-05-31,\nu4,2021-06-01,\n"},
        [("u4",), ("u4",)]),
    "check_visit_after_leaving": (
        {"units": "u5,E1,electric,2010-01-01,2021-05-01,2021-05-31,,\n",
         "jobs": "j21,u5,2021-05-31,,v1\nj22,u5,2021-06-01,,v1\n"}, [("j22",)]),
    "check_part_not_in_fuel": ({"lines": "j2,coil,failed,,replaced,,\n"
                                "j1,igniter,failed,,replaced,,\n"},
                               [("j1",), ("j2",)]),
    "check_left_without_enrolment": ({"units": "u6,E1,electric,,,2021-05-31,,\n"}, [("u6",)]),
    "check_remarked_at_load": ({
                                "lines": "j1,thermostat,failed,,replaced,301 °C,\n"
                                "j3,thermostat,failed,,replaced,300 °C,\n",
                                "jobs": "j23,u9,2021-01-01,,v1\n"},
                               [("jobs.csv, line 8",), ("lines.csv, line 7",)]),
    "check_continues_unknown": (
        {"jobs": "j5,u1,2021-02-01,j99,v1\nj6,u2,2021-02-01,j1,v1\nj7,u1,2021-02-01,j7,v1\n"
         "j8,u1,2021-02-01,j4,v1\nj9,u1,2021-01-01,j1,v1\n"},
        [("j5",), ("j6",), ("j7",), ("j8",)]),
    "check_cleaning_job_unknown": ({"cleanings": "u1,2021-02-02,j99\nu3,2021-02-02,j1\n"},
                                   [("u1",), ("u3",)]),
    "check_elbow_radius": ({"units": "u10,E1,electric,,,,5 in,\nu11,E1,electric,,,,10 in,\n"},
                           [("u10",)]),
    "check_item_unknown": ({"lines": "j3,fuse,failed,,replaced,,i9\n"}, [("j3",)]),
    "check_reading_against_finding": ({"lines": "j3,fuse,working,cold_continuity,kept,OL,\n"
                                       "j3,belt,working,,kept,OL,\n"}, [("j3",)]),
    "check_van_unknown": ({"carried": "v9,i1,2\n"}, [("v9",)]),
}  # fmt: skip
# broken by what happens to the warehouse after the load
BY_HAND = {
    "check_lines_without_job": ("delete from raw.jobs where job_id = 'j2'", [("j2",)]),
    "check_jobs_without_unit": ("delete from raw.units where unit_id = 'u2'", [("j2",)]),
    "check_repeated_keys": ("insert into raw.units select * from raw.units where unit_id = 'u2'",
                            [("u2",)]),
    "check_before_installation": (
        "update raw.units set installed_on = date '2021-01-02' where unit_id = 'u1'",
        [("j1",), ("u1",), ("u1",)]),
    "check_outside_records": (
        "update raw.settings set value = '2021-01-01' where name = 'records_from'",
        [("u1",), ("u2",)]),
}  # fmt: skip


def found(warehouse, name):
    """What a check returns."""
    with open_session(warehouse) as session:
        return session.run(name)


def test_every_check_is_tested():
    assert sorted({*BROKEN, *BY_HAND}) == CHECKS


def loaded(place, tables):
    """A warehouse with these tables."""
    folder = place / "records"
    folder.mkdir()
    for table, text in tables.items():
        (folder / f"{table}.csv").write_text(text)
    result = load(place / "w.duckdb", [folder])
    assert result.quarantined == 0, result.reasons
    return place / "w.duckdb"


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    """The clean tables."""
    return loaded(tmp_path_factory.mktemp("clean"), CLEAN)


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    """The clean tables with every broken row added."""
    added = [rows for rows, _ in BROKEN.values()]
    tables = {
        table: text + "".join(rows.get(table, "") for rows in added)
        for table, text in CLEAN.items()
    }
    place = loaded(tmp_path_factory.mktemp("broken"), tables)
    with open_session(place) as session:
        yield session


def test_clean_records_break_no_check(clean):
    with open_session(clean) as session:
        for name in CHECKS:
            rows = session.run(name)
            assert list(rows.columns) == COLUMNS, name
            assert rows.empty, (name, rows.to_dict("records"))


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_broken_rows_are_returned(broken, name):
    _, expected = BROKEN[name]
    rows = broken.run(name)
    assert sorted((row.record_id,) for row in rows.itertuples()) == expected
    assert rows["statement"].str.len().min() > 10
    assert rows["remedy"].str.len().min() > 5


@pytest.mark.parametrize("name", sorted(BY_HAND))
def test_rows_broken_later_are_returned(clean, tmp_path, name):
    place = shutil.copy(clean, tmp_path / "w.duckdb")
    statement, expected = BY_HAND[name]
    with duckdb.connect(str(place)) as connection:
        connection.execute(statement)
    rows = found(place, name)
    assert sorted((row.record_id,) for row in rows.itertuples()) == expected


def test_quality_says_how_to_see_the_rows_behind_its_remarks(broken):
    told = "\n".join(quality(broken).details())
    for check in (*BROKEN, "check_remarked_at_load"):
        assert f"failstats query {check}" in " ".join(told.split())


def test_a_corrected_row_is_no_longer_remarked(put, warehouse):
    put(**{name: CLEAN[name] for name in ("units", "jobs")})
    put(units="unit_id,family,duct_length\nu8,E1,900 m\n")
    assert len(found(warehouse, "check_remarked_at_load")) == 1
    put(units="unit_id,family,duct_length\nu8,E1,9 m\n")
    assert found(warehouse, "check_remarked_at_load").empty
