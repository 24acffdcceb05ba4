"""Index jobs and what follows them, worked by hand."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from failstats.records import Records

UNITS = """unit_id,family,installed_on,enrolled_on
u1,E1,2016-01-01,2016-01-01"""


@pytest.fixture
def index(company: Callable[..., Records]) -> Callable[[str, str], pd.DataFrame]:
    def build(jobs: str, lines: str) -> pd.DataFrame:
        records = company(
            units=UNITS,
            jobs="job_id,unit_id,visited_on,kind\n" + jobs,
            lines="job_id,part,finding,action,test,mode\n" + lines,
        )
        return records.query("pairs_index", first="cutout", second="thermostat")

    return build


def test_a_failed_partner_makes_no_index_job(index: Callable[[str, str], pd.DataFrame]) -> None:
    found = index(
        "j1,u1,2018-01-01,call_out",
        "j1,cutout,failed,replaced,,\nj1,thermostat,failed,replaced,hot_cycle,stuck_closed",
    )
    assert found.empty


def test_next_failure_of_either_part_on_a_call_out_is_the_event(
    index: Callable[[str, str], pd.DataFrame],
) -> None:
    found = index(
        "j1,u1,2018-01-01,call_out\nj2,u1,2018-03-02,call_out",
        "j1,cutout,failed,replaced,,\nj1,thermostat,working,kept,cold_continuity,\nj2,cutout,failed,replaced,,tripped",
    )
    first = found.iloc[0]
    assert (
        not first["both_replaced"]
        and first["partner_passed_cold"]
        and not first["partner_passed_hot"]
    )
    assert (int(first["followed_days"]), bool(first["failed"]), bool(first["failed_first"])) == (
        60,
        True,
        True,
    )
    assert int(first["unit_age_days"]) == 731 == int(first["partner_age_days"])
    # the second job is an index job of its own, followed to the end of the records
    assert int(found.iloc[1]["followed_days"]) == 2861


def test_found_bad_at_maintenance_ends_the_window_without_an_event(
    index: Callable[[str, str], pd.DataFrame],
) -> None:
    found = index(
        "j1,u1,2018-01-01,call_out\nj2,u1,2018-03-02,maintenance",
        "j1,cutout,failed,replaced,,\nj2,thermostat,failed,replaced,hot_cycle,stuck_closed",
    )
    first = found.iloc[0]
    assert (
        int(first["followed_days"]),
        bool(first["failed"]),
        bool(first["replaced_otherwise"]),
    ) == (60, False, True)


def test_replaced_on_the_second_visit_of_the_episode_counts_from_that_day(
    company: Callable[..., Records],
) -> None:
    records = company(
        units=UNITS,
        jobs="job_id,unit_id,visited_on,completed,continues\nj1,u1,2018-01-01,no,\nj2,u1,2018-01-08,yes,j1",
        lines="job_id,part,finding,action\nj1,cutout,failed,kept\nj2,cutout,failed,replaced",
    )
    found = records.query("pairs_index", first="cutout", second="thermostat")
    assert len(found) == 1
    assert str(found.iloc[0]["index_on"])[:10] == "2018-01-08"
    assert not found.iloc[0]["failed"]
