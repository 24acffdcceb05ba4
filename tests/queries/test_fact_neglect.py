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


def test_any_cut_points(company: Callable[..., Records]) -> None:
    """6 and 18 months are 183 and 548 days (a twelfth of 365 each); both sides of both edges."""
    records = build(company, "u1,2016-03-01,full_run,company")
    with records._session.seen_otherwise(("fact_neglect", "fact_exposure"), neglect_months=[6, 18]):
        assert bands(records)[1:] == [
            ("under_6", "2016-03-01", "2016-08-30"),  # the 182nd day after
            ("6_to_18", "2016-08-30", "2017-08-30"),  # the 547th
            ("over_18", "2017-08-30", "2020-12-31"),
        ]
    assert [band for band, _, _ in bands(records)[1:]] == ["under_12", "12_to_24", "over_24"]


def test_unknown_lasts_until_the_last_cut_point_is_watched(company: Callable[..., Records]) -> None:
    records = build(company, "u2,2019-06-01,full_run,company")
    with records._session.seen_otherwise(("fact_neglect",), neglect_months=[12]):
        # 2015-12-31 + 365 days
        assert bands(records) == [
            ("unknown", "2015-12-31", "2016-12-30"),
            ("over_12", "2016-12-30", "2020-12-31"),
        ]


def test_a_lag_moves_the_effect_of_a_cleaning(company: Callable[..., Records]) -> None:
    records = build(company, "u1,2016-03-01,full_run,company")
    with records._session.seen_otherwise(("fact_neglect",), neglect_lag_days=30):
        assert bands(records)[:2] == [
            ("unknown", "2015-12-31", "2016-03-31"),
            ("under_12", "2016-03-31", "2017-02-28"),
        ]


def test_owner_reported_and_symptom_driven_cleanings_can_be_left_out(
    company: Callable[..., Records],
) -> None:
    records = company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2016-01-01,no",
        jobs="job_id,unit_id,visited_on,complaint\nj1,u1,2017-03-01,slow_dry\nj2,u1,2018-03-01,no_heat",
        cleanings="unit_id,cleaned_on,cleaned_by,job_id\nu1,2016-03-01,owner,\n"
        "u1,2017-03-01,company,j1\nu1,2018-03-01,company,j2",
        span=("2015-01-01", "2020-12-31"),
    )

    def resets() -> list[str]:
        return [first for band, first, _ in bands(records) if band == "under_12"]

    assert resets() == ["2016-03-01", "2017-03-01", "2018-03-01"]
    with records._session.seen_otherwise(("fact_neglect",), neglect_company_only=True):
        assert resets() == ["2017-03-01", "2018-03-01"]
    with records._session.seen_otherwise(("fact_neglect",), neglect_without_symptoms=True):
        assert resets() == ["2016-03-01", "2018-03-01"]
    assert resets() == ["2016-03-01", "2017-03-01", "2018-03-01"]


def test_neglect_so_far_stands_still_behind_a_clean_vent(company: Callable[..., Records]) -> None:
    """New vent 2016-01-01, cleaned 2018-01-01: a year of neglect, then none, then more of it."""
    records = company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2016-01-01,yes",
        jobs="job_id,unit_id,visited_on\nj1,u1,2019-02-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
        cleanings="unit_id,cleaned_on\nu1,2018-01-01",
        span=("2015-01-01", "2020-12-31"),
    )
    frame = records.query(
        "vents_cumulative", part="coil", followed=["contract"], clean="under_12", step=91
    )
    first = frame[frame["stratum"] == "E1 first"]
    rows = list(
        zip(first["step"], first["start_days"], first["stop_days"], first["failed"], strict=True)
    )
    assert rows == [
        (0, 0, 364, False),  # clean: no neglect so far
        (0, 364, 455, False),
        (1, 455, 546, False),
        (2, 546, 637, False),
        (3, 637, 728, False),
        (4, 728, 729, False),
        (4, 729, 731, False),  # over 24 months
        (4, 731, 1095, False),  # clean again: what was, stays
        (4, 1095, 1127, True),
    ]


def test_outlook_on_the_next_cleaning(company: Callable[..., Records]) -> None:
    """Cleaned 2018-06-01, watched to 2020-12-31: later, soon, at once, later again, the end."""
    records = company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2016-01-01,yes",
        jobs="job_id,unit_id,visited_on\nj1,u1,2020-12-31",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
        cleanings="unit_id,cleaned_on\nu1,2018-06-01",
        span=("2015-01-01", "2020-12-31"),
    )
    frame = records.query(
        "vents_future", part="coil", followed=["contract"], ahead=395, reaction=30
    )
    # day 882 is 2018-06-01; 31 days before it starts what may be a reaction, 396 days "soon"
    first = frame[frame["future"] == "soon"]
    assert (first["start_days"].min(), first["stop_days"].max()) == (882 - 396, 882 - 31)
    once = frame[frame["future"] == "at_once"]
    assert (once["start_days"].min(), once["stop_days"].max()) == (882 - 31, 882)
    end = frame[frame["future"] == "end"]
    assert end["start_days"].min() == 1826 - 395
    assert end["failed"].sum() == 1
