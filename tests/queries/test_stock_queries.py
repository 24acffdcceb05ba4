"""What jobs need, which of them were to be expected, and who is on the roster: worked by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pandas as pd
import pytest

from failstats.records import Records

UNITS = """unit_id,family,fuel,installed_on,enrolled_on,van_id
c1,E1,electric,2016-01-01,2016-01-01,v1
c2,E1,electric,2016-01-01,2016-01-01,v1
k1,E1,electric,2016-01-01,,v2
k2,E1,electric,2016-01-01,,v2
new,E1,electric,2020-01-01,,v2"""
JOBS = """job_id,unit_id,visited_on,kind,completed,continues,van_id
j1,c1,2021-01-01,call_out,yes,,v1
j2,c1,2021-01-28,call_out,no,,v1
j3,c1,2021-02-05,call_out,yes,j2,v1
j4,c2,2021-01-10,maintenance,yes,,v1
j5,c2,2021-01-11,maintenance,yes,,v1
k1a,k1,2020-01-01,call_out,yes,,v2
k2a,k2,2020-01-02,call_out,yes,,v2
k1b,k1,2021-01-29,call_out,yes,,v2
n1,new,2021-01-15,call_out,yes,,v2"""
LINES = """job_id,part,position,finding,mode,action
j1,coil,1,failed,open_circuit,replaced
j2,cutout,1,failed,open_circuit,kept
j2,thermostat,1,failed,stuck_closed,kept
j3,cutout,1,failed,open_circuit,replaced
j3,thermostat,1,failed,stuck_closed,replaced
j5,roller,1,worn,,replaced
j5,roller,2,worn,,replaced
k1a,coil,1,failed,open_circuit,replaced
k1b,coil,1,failed,open_circuit,replaced
n1,coil,1,failed,open_circuit,replaced"""
CYCLE = {"starts": [dt.date(2020, 12, 31)], "days": 28}  # 1 to 28 January 2021


@pytest.fixture
def records(company: Callable[..., Records]) -> Records:
    return company(units=UNITS, jobs=JOBS, lines=LINES, span=("2016-01-01", "2021-12-31"))


def test_a_job_needs_the_whole_set_of_its_episode_and_is_led_by_what_was_tripped(
    records: Records,
) -> None:
    found = records.query("fact_demand").set_index("episode_id")
    assert "j4" not in found.index  # maintenance that needed nothing asks nothing of the van
    assert list(found.loc["j2", "needs"]) == ["cutout", "thermostat"]  # fitted on the second visit
    assert found.loc["j2", "lead"] == "cutout"
    assert list(found.loc["j5", "needs"]) == ["roller", "roller"]  # one for each position
    assert (found.loc["j5", "lead"], list(found.loc["j5", "failed"])) == ("", [])
    assert list(found.loc["k2a", "needs"]) == []


def test_the_cycle_begins_the_day_after_and_ends_with_its_last_day(records: Records) -> None:
    found = records.query("stock_jobs", **CYCLE).set_index("episode_id")
    # j2 on the 28th belongs to it, k1b on the 29th does not
    assert sorted(found.index) == ["j1", "j2", "j5", "n1"]
    assert found["expected"].to_dict() == {"j1": True, "j2": True, "j5": True, "n1": False}


def test_the_roster_counts_every_part_in_service_and_the_jobs_it_led(records: Records) -> None:
    found = records.query("stock_roster", **CYCLE)
    coils = found[found["part"] == "coil"]
    assert coils.groupby("van_id")["lives"].sum().to_dict() == {"v1": 2, "v2": 2}  # new is unknown
    assert coils["led"].sum() == 1  # j1; the newcomer's is nobody's on the roster
    cutouts = found[found["part"] == "cutout"]
    assert cutouts["led"].sum() == 1
    assert found.loc[found["part"] == "thermostat", "led"].sum() == 0
    # the partner that can trip it is as old as the unit: 1,826 days, 20 quarters of 91
    assert set(cutouts.loc[cutouts["van_id"] == "v1", "partner_quarters"]) == {20}
    assert found[found["part"] == ""]["lives"].sum() == 4  # the units themselves


@pytest.mark.parametrize(
    ("start", "standing"),
    [
        (dt.date(2020, 12, 30), "under_1_year"),  # k1 and k2 were last heard of on 1 and 2 January
        (dt.date(2020, 12, 31), "1_to_2_years"),  # 365 days for k1
        (dt.date(2021, 1, 29), "under_1_year"),  # k1 has called again that day
    ],
)
def test_standing_is_how_long_ago_a_call_out_unit_was_heard_of(
    records: Records, start: dt.date, standing: str
) -> None:
    found = records.query("stock_roster", starts=[start], days=28)
    units = found[(found["part"] == "") & (found["van_id"] == "v2")]
    counts = units.groupby("standing")["lives"].sum()
    other = {"under_1_year": 0, "1_to_2_years": 0} | counts.to_dict()
    if start == dt.date(2020, 12, 30):
        assert other == {"under_1_year": 2, "1_to_2_years": 0}
    elif start == dt.date(2020, 12, 31):
        assert other == {"under_1_year": 1, "1_to_2_years": 1}
    else:  # k1 heard that day, the newcomer in January, k2 a year ago
        assert other == {"under_1_year": 2, "1_to_2_years": 1}
    assert standing in counts.index


def test_on_the_as_of_day_whatever_is_still_watched_is_in_service(records: Records) -> None:
    found = records.query("stock_roster", starts=[dt.date(2021, 12, 31)], days=28)
    assert found[found["part"] == ""]["lives"].sum() == 5
    assert found[found["part"] == "coil"]["lives"].sum() == 5


def test_whole_months_alone_are_counted(company: Callable[..., Records]) -> None:
    records = company(units=UNITS, jobs=JOBS, lines=LINES, span=("2020-12-15", "2021-02-27"))
    found = records.query("stock_months")
    assert found["month"].tolist() == [1]
    assert found["jobs"].tolist() == [5]  # j1, j2, j5, k1b, n1


CATALOGUE = "item_id,part,family,price,valid_from\nold,coil,E1,40.00,2020-01-01"


@pytest.mark.parametrize(("as_of", "price"), [("2021-05-31", 40.0), ("2021-06-01", 44.0)])
def test_a_price_counts_from_its_day(
    company: Callable[..., Records], tmp_path, as_of: str, price: float
) -> None:
    import failstats

    records = company(units=UNITS, jobs=JOBS, lines=LINES, catalogue=CATALOGUE)
    warehouse = tmp_path / "w_0.duckdb"
    records.close()
    later = tmp_path / "later"
    later.mkdir()
    (later / "catalogue.csv").write_text(
        "item_id,part,family,price,valid_from\nold,coil,E1,44.00,2021-06-01\n"
    )
    failstats.load(warehouse, [later])
    with failstats.open_warehouse(warehouse, as_of=as_of) as again:
        found = again.query("stock_catalogue")
    assert found["price"].astype(float).tolist() == [price]


def test_a_part_goes_back_when_it_failed_within_the_warranty(records: Records) -> None:
    # k1's coil was fitted on 2020-01-01 and failed on 2021-01-29, 394 days later
    def returns(days: int) -> pd.Series:
        found = records.query("stock_warranty", since=dt.date(2021, 1, 1), days=days)
        return found.set_index("part").loc["coil"]

    assert returns(393)["returns"] == 0
    assert returns(394)["returns"] == 1
    assert returns(394)["jobs"] == 3  # with j1 and n1, whose coils came with the appliance
