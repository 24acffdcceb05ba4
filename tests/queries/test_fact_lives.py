"""What ends a life, which births are known, from when to when a part is at risk: given -> expected."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from failstats.records import Records

UNITS = "unit_id,family,installed_on,enrolled_on,left_on,left_because"
JOBS = "job_id,unit_id,visited_on,kind,completed,continues"
LINES = "job_id,part,finding,action,mode"
NEW = "u1,E1,2016-01-01,2016-01-01,,"  # enrolled on the day it was installed


@pytest.fixture
def lives(company: Callable[..., Records]) -> Callable[..., pd.DataFrame]:
    """The coil's (or another part's) lives of a few rows."""

    def build(
        units: list[str], jobs: list[str], lines: list[str], part: str = "coil", **more: Any
    ) -> pd.DataFrame:
        records = company(
            units="\n".join([UNITS, *units]),
            jobs="\n".join([JOBS, *jobs]),
            lines="\n".join([LINES, *lines]),
            **more,
        )
        frame = records.query("fact_lives")
        return (
            frame[frame["part"] == part]
            .sort_values(["unit_id", "ordinal", "span"])
            .reset_index(drop=True)
        )

    return build


def seen(frame: pd.DataFrame) -> list[tuple[Any, ...]]:
    """(first or later, birth, entry, exit, ending) per life."""
    return [
        (r.first_or_later, r.birth, int(r.entry_days), int(r.exit_days), r.ending)
        for r in frame.itertuples()
    ]


END = 3652  # 2016-01-01 to 2025-12-31


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("j1,coil,failed,replaced,open_circuit", [("first", "known", 0, 366, "failed"), ("later", "known", 0, END - 366, "records_end")]),
        ("j1,coil,failed,kept,open_circuit", [("first", "known", 0, 366, "failed")]),
        ("j1,coil,failed,reset,", [("first", "known", 0, END, "records_end")]),
        ("j1,coil,failed,replaced,tripped", [("first", "known", 0, 366, "tripped"), ("later", "known", 0, END - 366, "records_end")]),
        ("j1,coil,worn,replaced,", [("first", "known", 0, 366, "preventive"), ("later", "known", 0, END - 366, "records_end")]),
        ("j1,coil,working,replaced,", [("first", "known", 0, 366, "replaced_working"), ("later", "known", 0, END - 366, "records_end")]),
        ("j1,coil,untested,replaced,", [("first", "known", 0, 366, "replaced_unknown"), ("later", "known", 0, END - 366, "records_end")]),
        ("j1,coil,working,kept,", [("first", "known", 0, END, "records_end")]),
    ],
)  # fmt: skip
def test_what_ends_a_life(
    lives: Callable[..., pd.DataFrame], line: str, expected: list[tuple[Any, ...]]
) -> None:
    assert seen(lives([NEW], ["j1,u1,2017-01-01,call_out,yes,"], [line])) == expected


def test_worn_belt_on_a_call_out_has_failed_and_on_maintenance_not(
    lives: Callable[..., pd.DataFrame],
) -> None:
    found = lives(
        [NEW], ["j1,u1,2017-01-01,call_out,yes,"], ["j1,belt,worn,replaced,"], part="belt"
    )
    assert seen(found)[0] == ("first", "known", 0, 366, "failed")
    found = lives(
        [NEW], ["j1,u1,2017-01-01,maintenance,yes,"], ["j1,belt,worn,replaced,"], part="belt"
    )
    assert seen(found)[0] == ("first", "known", 0, 366, "preventive")


def test_waiting_for_a_part_is_one_failure_and_a_gap(lives: Callable[..., pd.DataFrame]) -> None:
    found = lives(
        [NEW],
        ["j1,u1,2017-01-01,call_out,no,", "j2,u1,2017-01-11,call_out,yes,j1"],
        ["j1,coil,failed,kept,open_circuit", "j2,coil,failed,replaced,open_circuit"],
    )
    assert seen(found) == [
        ("first", "known", 0, 366, "failed"),
        ("later", "known", 0, END - 376, "records_end"),
    ]


def test_declined_twice_is_one_failure(lives: Callable[..., pd.DataFrame]) -> None:
    found = lives(
        [NEW],
        ["j1,u1,2017-01-01,call_out,yes,", "j2,u1,2018-01-01,call_out,yes,"],
        ["j1,coil,failed,kept,open_circuit", "j2,coil,failed,kept,open_circuit"],
    )
    assert seen(found) == [("first", "known", 0, 366, "failed")]


def test_two_tests_of_one_visit_are_one_finding_and_the_worst_holds(
    company: Callable[..., Records],
) -> None:
    records = company(
        units=f"{UNITS}\n{NEW}",
        jobs=f"{JOBS}\nj1,u1,2017-01-01,call_out,yes,",
        lines="""job_id,part,finding,action,mode,test
            j1,thermostat,working,kept,,cold_continuity
            j1,thermostat,failed,replaced,stuck_closed,hot_cycle""",
    )
    found = records.query("fact_findings")
    assert len(found) == 1
    row = found.iloc[0]
    assert (row["finding"], row["action"], row["mode"]) == ("failed", "replaced", "stuck_closed")
    assert row["passed_cold"] and not row["passed_hot"] and row["tested_hot"] and row["silent"]


def test_retired_at_a_failure_visit_is_a_failure(lives: Callable[..., pd.DataFrame]) -> None:
    unit = "u1,E1,2016-01-01,2016-01-01,2017-01-01,retired"
    found = lives([unit], ["j1,u1,2017-01-01,call_out,yes,"], ["j1,coil,failed,kept,open_circuit"])
    assert seen(found) == [("first", "known", 0, 366, "failed")]
    found = lives(
        [unit, "u2,E1,2016-01-01,2016-01-01,,"],
        ["j1,u2,2017-01-01,call_out,yes,"],
        ["j1,coil,failed,kept,"],
    )
    assert seen(found)[0] == ("first", "known", 0, 366, "retired")


def test_unit_without_any_job_is_at_risk_all_the_same(lives: Callable[..., pd.DataFrame]) -> None:
    found = lives(
        [NEW, "u2,E1,2018-01-01,2018-01-01,,"],
        ["j1,u1,2017-01-01,call_out,yes,"],
        ["j1,coil,failed,replaced,"],
    )
    assert seen(found[found["unit_id"] == "u2"]) == [("first", "known", 0, 2921, "records_end")]


def test_late_joiner_enters_late_and_its_birth_is_an_assumption(
    lives: Callable[..., pd.DataFrame],
) -> None:
    found = lives(
        ["u1,E1,2016-01-01,2020-01-01,,"],
        ["j1,u1,2021-01-01,call_out,yes,"],
        ["j1,coil,failed,replaced,"],
    )
    assert seen(found) == [
        ("first", "assumed", 1461, 1827, "failed"),
        ("later", "known", 0, 1825, "records_end"),
    ]


def test_enrolled_on_the_day_of_installation_is_known_one_day_later_is_not(
    lives: Callable[..., pd.DataFrame],
) -> None:
    line, job = ["j1,coil,failed,replaced,"], ["j1,u1,2021-01-01,call_out,yes,"]
    assert seen(lives(["u1,E1,2020-01-01,2020-01-01,,"], job, line))[0][1] == "known"
    assert seen(lives(["u1,E1,2020-01-01,2020-01-02,,"], job, line))[0][1] == "assumed"


def test_call_out_unit_is_watched_from_its_first_visit(lives: Callable[..., pd.DataFrame]) -> None:
    found = lives(
        ["u1,E1,2016-01-01,,,"],
        ["j1,u1,2018-01-01,call_out,yes,", "j2,u1,2020-01-01,call_out,yes,"],
        ["j1,coil,failed,replaced,", "j2,coil,failed,replaced,"],
    )
    # the life that ended at the first visit gives no time at risk: entry = exit
    assert seen(found) == [
        ("first", "assumed", 731, 731, "failed"),
        ("later", "known", 0, 730, "failed"),
        ("later", "known", 0, 2191, "records_end"),
    ]
    assert found["leaves_unseen"].all()
    # the other bracket: last contact plus 365 days
    assert int(found.iloc[2]["exit_by_contact_days"]) == 365


def test_failure_on_the_day_of_joining_gives_no_time_at_risk(
    lives: Callable[..., pd.DataFrame],
) -> None:
    found = lives(
        ["u1,E1,2016-01-01,2020-01-01,,"],
        ["j1,u1,2020-01-01,call_out,yes,"],
        ["j1,coil,failed,replaced,"],
    )
    assert seen(found)[0] == ("first", "assumed", 1461, 1461, "failed")


@pytest.mark.parametrize(("visit", "followed_as", "starts"), [
    ("2019-12-02", "call_out", "2019-12-02"),  # 30 days before: it joined because of the visit
    ("2019-12-01", "contract", "2020-01-01"),  # 31 days before
    ("2020-01-01", "call_out", "2020-01-01"),  # on the day itself
])  # fmt: skip
def test_joining_because_of_a_visit(
    company: Callable[..., Records], visit: str, followed_as: str, starts: str
) -> None:
    records = company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2020-01-01,,",
        jobs=f"{JOBS}\nj1,u1,{visit},call_out,yes,",
        lines=f"{LINES}\nj1,coil,failed,replaced,",
    )
    span = records.query("fact_spans").iloc[0]
    assert (span["followed_as"], str(span["starts_on"])[:10]) == (followed_as, starts)
    assert not span["leaves_unseen"]


def test_two_periods_are_two_spans_and_the_gap_is_not_watched(
    company: Callable[..., Records],
) -> None:
    records = company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2016-01-01,2017-12-31,contract_ended",
        periods="unit_id,enrolled_on,left_on\nu1,2020-01-01,2021-12-31",
        jobs=f"{JOBS}\nj1,u1,2021-01-01,call_out,yes,",
        lines=f"{LINES}\nj1,coil,failed,replaced,",
    )
    spans = records.query("fact_spans").sort_values("span")
    assert [str(d)[:10] for d in spans["starts_on"]] == ["2016-01-01", "2020-01-01"]
    lives = records.query("fact_lives")
    coil = lives[lives["part"] == "coil"].sort_values(["ordinal", "span"])
    assert seen(coil) == [
        ("first", "known", 0, 730, "contract_ended"),
        ("first", "assumed", 1461, 1827, "failed"),
        ("later", "known", 0, 364, "left"),
    ]


def test_touching_periods_are_one_span(company: Callable[..., Records]) -> None:
    records = company(
        units=f"{UNITS}\nu1,E1,2016-01-01,2016-01-01,2017-12-31,contract_ended",
        periods="unit_id,enrolled_on,left_on\nu1,2018-01-01,2021-12-31",
        jobs=f"{JOBS}\nj1,u1,2021-01-01,call_out,yes,",
        lines=f"{LINES}\nj1,coil,failed,replaced,",
    )
    assert len(records.query("fact_spans")) == 1


def test_as_of_is_event_time(lives: Callable[..., pd.DataFrame]) -> None:
    unit = "u1,E1,2016-01-01,2016-01-01,2020-12-31,moved"
    jobs = ["j1,u1,2017-01-01,call_out,yes,", "j2,u1,2019-01-01,call_out,yes,"]
    lines = ["j1,coil,failed,replaced,", "j2,coil,failed,replaced,"]
    found = lives([unit], jobs, lines, options={"as_of": "2018-01-01"})
    assert seen(found) == [
        ("first", "known", 0, 366, "failed"),
        ("later", "known", 0, 365, "records_end"),
    ]
    assert seen(lives([unit], jobs, lines))[-1] == ("later", "known", 0, 730, "moved")


def test_position_seen_in_one_unit_only_is_watched_from_its_first_replacement(
    company: Callable[..., Records],
) -> None:
    records = company(
        units=f"{UNITS}\n{NEW}\nu2,E1,2016-01-01,2016-01-01,,",
        jobs=f"{JOBS}\nj1,u1,2017-01-01,call_out,yes,",
        lines="job_id,part,position,finding,action\nj1,roller,2,failed,replaced",
    )
    lives = records.query("fact_lives")
    second = lives[(lives["part"] == "roller") & (lives["position"] == 2)]
    assert seen(second) == [("later", "known", 0, END - 366, "records_end")]


def test_gas_units_have_no_coil(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family,fuel,installed_on,enrolled_on\nu1,E1,electric,2016-01-01,2016-01-01\nu2,G1,gas,2016-01-01,2016-01-01",
        jobs=f"{JOBS}\nj1,u1,2017-01-01,call_out,yes,",
        lines=f"{LINES}\nj1,coil,failed,replaced,",
    )
    lives = records.query("fact_lives")
    assert set(lives.loc[lives["part"] == "coil", "unit_id"]) == {"u1"}


def test_unknown_installation_leaves_the_first_life_unknown_and_later_ones_count(
    lives: Callable[..., pd.DataFrame],
) -> None:
    found = lives(
        ["u1,E1,,2016-01-01,,"], ["j1,u1,2017-01-01,call_out,yes,"], ["j1,coil,failed,replaced,"]
    )
    assert list(found["birth"]) == ["unknown", "known"]


@pytest.mark.parametrize(("second", "episodes"), [("2017-01-31", 1), ("2017-02-01", 2)])
def test_unfinished_visit_is_continued_within_30_days(
    company: Callable[..., Records], second: str, episodes: int
) -> None:
    records = company(
        units=f"{UNITS}\n{NEW}",
        jobs=f"{JOBS}\nj1,u1,2017-01-01,call_out,no,\nj2,u1,{second},call_out,yes,",
        lines=f"{LINES}\nj1,coil,failed,kept,\nj2,coil,failed,replaced,",
    )
    assert records.query("fact_episodes")["episode_id"].nunique() == episodes
