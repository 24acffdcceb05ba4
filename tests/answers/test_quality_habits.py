"""What `quality` says of the way records are kept."""

import numpy as np
import pandas as pd
import pytest

from failstats.answers.quality_habits import _trend, habits

PRINTED = 5e-7  # half a unit of the last printed digit of the p-value


def test_trend_in_shares_is_the_published_one():
    """Fleiss (1981) p. 139, smokers among lung patients; printed by R's help of prop.trend.test."""
    found = _trend(np.array([83.0, 90, 129, 70]), np.array([86.0, 93, 136, 82]))
    assert found == pytest.approx(0.004132, abs=PRINTED)


def _company(company, *, first_of_month: bool, careless: str | None):
    days = pd.date_range("2018-01-03", periods=480, freq="5D")
    units = ["unit_id,family,installed_on,enrolled_on,loads_per_week,duct_length"]
    jobs = ["job_id,unit_id,visited_on,complaint,technician_id,completed,labour"]
    lines = ["job_id,part,finding,mode,test,action,reading,item_id"]
    for at, day in enumerate(days):
        put_in = day - pd.Timedelta(days=400)
        if first_of_month:
            put_in = put_in.replace(day=1)
        units.append(f"u{at},E1,{put_in:%Y-%m-%d},{put_in:%Y-%m-%d},{3 + at % 7},{3 + at % 8} ft")
        who = "t1" if at % 2 else "t2"
        jobs.append(f"j{at},u{at},{day:%Y-%m-%d},no_heat,{who},yes,40 min")
        failed = at % 4 == 1 if who == careless else at % 8 in (0, 1)
        lines.append(
            f"j{at},coil,failed,open_circuit,cold_continuity,replaced,OL,c" if failed
            else f"j{at},coil,working,,cold_continuity,kept,9.8 ohm,"
        )  # fmt: skip
    return company(
        span=("2018-01-01", "2024-12-31"), units="\n".join(units), jobs="\n".join(jobs),
        lines="\n".join(lines),
    )  # fmt: skip


def checks(records):
    return {remark.check for remark in records.quality().results.remarks}


def test_rounded_dates_are_said_and_others_are_not(company):
    assert "heaping_installed_on" in checks(_company(company, first_of_month=True, careless=None))
    tidy = checks(_company(company, first_of_month=False, careless=None))
    assert not [check for check in tidy if check.startswith("heaping_")]


def test_technicians_who_find_other_things_are_said(company):
    same = _company(company, first_of_month=False, careless=None)
    assert "technicians_differ" not in checks(same)
    differing = _company(company, first_of_month=False, careless="t1")
    assert "technicians_differ" in checks(differing)
    figures = differing.quality().summary["technicians"]
    assert figures[0]["highest_share_failed"] > figures[0]["lowest_share_failed"]


def test_a_gap_says_what_it_forbids(company):
    records = company(
        units="unit_id,family\nu1,E1\n",
        jobs="job_id,unit_id,visited_on\nj1,u1,2020-01-02\nj2,u1,2020-04-02\n",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced\nj2,coil,working,kept\n",
    )
    found = {remark.check: remark for remark in records.quality().results.remarks}
    assert "hot" in found["completeness_test"].statement
    assert found["completeness_test"].rows == 2
    assert found["empty_months"].rows == 2
    assert records.quality().summary["timeliness"]["months_without_visits"] == 2
    assert {check for check in found if check.startswith("absent_")} == {
        "absent_cleanings", "absent_catalogue",
    }  # fmt: skip
    assert "no cleanings are loaded: no vent is known" in str(records.quality())
    assert "(0 rows)" not in str(records.quality())


def test_a_table_that_is_there_is_not_said_to_be_absent(demo_records):
    assert not [check for check in checks(demo_records) if check.startswith("absent_")]


def test_visits_without_part_lines_say_what_that_forbids(company):
    records = company(
        units="unit_id,family\nu1,E1\n", jobs="job_id,unit_id,visited_on\nj1,u1,2020-01-02\n"
    )
    assert "absent_lines" in checks(records)


def test_figures_are_there_even_when_nothing_is_remarked(demo_records):
    _, figures = habits(demo_records._session)
    assert set(figures) == {
        "completeness", "heaping", "technicians", "untested_share", "drift", "timeliness",
    }  # fmt: skip
    assert all(0 <= row["share"] <= 1 for row in figures["completeness"])
