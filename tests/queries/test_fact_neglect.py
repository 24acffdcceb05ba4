"""The neglect clock: both sides of every band edge, what resets it, and what does not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from failstats.records import Records

UNITS = "unit_id,family,installed_on,enrolled_on,vent_new"
NO_JOBS = "job_id,unit_id,visited_on\nj9,u9,2016-06-01"


def bands(records: Records, unit: str = "u1") -> list[tuple[str, str, str]]:
    """(band, first day at risk, last day at risk)."""
    frame = records.query("fact_neglect")
    mine = frame[frame["unit_id"] == unit].sort_values("from_day")
    return [(r.band, str(r.from_day)[:10], str(r.to_day)[:10]) for r in mine.itertuples()]


def build(company: Callable[..., Records], cleanings: str, **more: Any) -> Records:
    return company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2016-01-01,{more.pop('vent_new', 'no')}",
        jobs=NO_JOBS,
        cleanings=f"unit_id,cleaned_on,scope,cleaned_by\n{cleanings}",
        span=("2015-01-01", "2020-12-31"),
        **more,
    )


def test_unknown_until_730_days_are_watched_then_over_24(company: Callable[..., Records]) -> None:
    # watched from 2016-01-01: on 2017-12-31 neglect is at least 730 days
    assert bands(build(company, "u1,2019-06-01,full_run,company")) == [
        ("unknown", "2015-12-31", "2017-12-30"),
        ("over_24", "2017-12-30", "2019-06-01"),
        ("under_12", "2019-06-01", "2020-05-30"),
        ("12_to_24", "2020-05-30", "2020-12-31"),
    ]


def test_a_cleaning_acts_from_the_day_after(company: Callable[..., Records]) -> None:
    found = bands(build(company, "u1,2016-03-01,full_run,company"))
    assert found[0] == (
        "unknown",
        "2015-12-31",
        "2016-03-01",
    )  # the day itself still counts as before
    # 364 days after is the last day under 12 months; 365 to 729 are 12 to 24
    assert found[1] == ("under_12", "2016-03-01", "2017-02-28")
    assert found[2] == ("12_to_24", "2017-02-28", "2018-02-28")
    assert found[3] == ("over_24", "2018-02-28", "2020-12-31")


@pytest.mark.parametrize("scope", ["transition", "cabinet"])
def test_only_the_full_run_resets(company: Callable[..., Records], scope: str) -> None:
    found = bands(build(company, f"u1,2016-03-01,{scope},company"))
    assert [band for band, _, _ in found] == ["unknown", "over_24"]


def test_installation_counts_only_where_the_vent_was_new_and_watched(
    company: Callable[..., Records],
) -> None:
    found = bands(build(company, "u2,2016-03-01,full_run,company", vent_new="yes"))
    # the day of installation itself is age 0: nothing is at risk on it
    assert found[:2] == [
        ("unknown", "2015-12-31", "2016-01-01"),
        ("under_12", "2016-01-01", "2016-12-30"),
    ]
    records = company(
        units=f"{UNITS}\nu1,E1,2014-01-01,2016-01-01,yes",
        jobs=NO_JOBS,
        span=("2015-01-01", "2020-12-31"),
    )
    assert bands(records)[0][0] == "unknown"


def test_stretches_of_a_life_neither_lose_nor_add_a_day(demo_records: Records) -> None:
    lives = demo_records.query("fact_lives")
    known = lives[(lives["birth"] == "known") & (lives["exit_days"] > lives["entry_days"])]
    exposure = demo_records.query("fact_exposure")
    for part in ("coil", "cutout", "door_switch"):
        mine, pieces = known[known["part"] == part], exposure[exposure["part"] == part]
        assert (pieces["stop_days"] - pieces["start_days"]).sum() == (
            mine["exit_days"] - mine["entry_days"]
        ).sum()
        assert pieces["failed"].sum() == mine["ending"].isin(["failed", "tripped"]).sum()
