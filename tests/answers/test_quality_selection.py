"""`quality` says what hides part of the truth, and what it would do if left alone."""

from __future__ import annotations

from collections.abc import Callable

from failstats.demo import Demo
from failstats.records import Records

KINDS = {
    "selection_late_joiners",
    "selection_silent_leaving",
    "selection_silent_failures",
    "selection_cold_tests",
    "selection_units_differ",
}


def _said(records: Records) -> dict[str, str]:
    return {
        r.check: r.statement
        for r in records.quality().results.remarks
        if r.check.startswith("selection_")
    }


def test_records_without_selection_have_nothing_said_of_them(
    company: Callable[..., Records],
) -> None:
    records = company(
        units="""unit_id,family,installed_on,enrolled_on
            u1,E1,2016-01-01,2016-01-01
            u2,E1,2017-01-01,2017-01-01""",
        jobs="job_id,unit_id,visited_on\nj1,u1,2019-01-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
    )
    assert _said(records) == {}


def test_late_joiners_and_silent_leavers_are_counted(company: Callable[..., Records]) -> None:
    records = company(
        units="""unit_id,family,installed_on,enrolled_on,left_on
            u1,E1,2016-01-01,2016-01-01,
            u2,E1,2014-01-01,2017-01-01,
            u3,E1,2013-01-01,2018-01-01,
            u4,E1,2012-01-01,,
            u5,E1,2012-01-01,,2021-06-01""",
        jobs="""job_id,unit_id,visited_on
            j1,u1,2019-01-01
            j4,u4,2018-03-01
            j5,u5,2019-03-01""",
        lines="""job_id,part,finding,action
            j1,coil,failed,replaced
            j4,coil,failed,replaced
            j5,belt,failed,replaced""",
    )
    said = _said(records)
    assert set(said) == {"selection_late_joiners", "selection_silent_leaving"}
    # by hand: u2 and u3 of u1 to u3 joined late; u4 of u4 and u5 never said that it left
    assert said["selection_late_joiners"].startswith("2 of 3 contract units (67 %)")
    assert said["selection_silent_leaving"].startswith("1 of 2 call-out units never said")
    found = records.quality().summary["selection"]
    assert (found["joined_late"], found["leave_unseen_units"]) == (2, 1)
    # too few failures for a scale: no figure is made up
    assert found["scale_days"] == {}


def test_the_demo_shows_what_each_selection_would_do(made: Demo) -> None:
    quality = made.answers["quality"]
    said = {r.check for r in quality.results.remarks if r.check.startswith("selection_")}
    assert said == KINDS
    scale = quality.summary["selection"]["scale_days"]
    part = quality.summary["selection"]["example"]
    stated = next(r for r in made.answers["lives"].results if r.part == part)
    assert scale["births_assumed"][part] > 1.05 * scale["births_known"][part]
    ends = (scale["last_contact_plus_a_year"][part], scale["followed_to_the_end"][part])
    assert ends[0] < stated.parameters["scale_days"] < ends[1]
    # dates of discovery lengthen the thermostat's life and shorten the cutout's
    assert scale["by_day_found"]["thermostat"] > 1.1 * scale["two_state_model"]["thermostat"]
    assert scale["by_day_found"]["cutout"] < 0.9 * scale["two_state_model"]["cutout"]
    text = " ".join(" ".join(quality.details()).split())
    for word in ("joined after they were installed", "never said that they left", "were cold"):
        assert word in text
