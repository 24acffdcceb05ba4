"""Fitted lives that would not have given the records: the warning names what does not fit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from failstats.records import Records

UNITS = 240


def _installed(number: int) -> dt.date:
    return dt.date(2015, 1, 1) + dt.timedelta(days=number * 13)  # the last in July 2023


def test_a_bad_year_is_named_for_no_life_by_age_explains_it(
    company: Callable[..., Records],
) -> None:
    """A quarter of all units, of every age, lose their coil in 2024 and none at another time."""
    units = ["unit_id,family,installed_on,enrolled_on"]
    units += [f"u{i},E1,{_installed(i)},{_installed(i)}" for i in range(UNITS)]
    failed = [
        (i, dt.date(2024, 1, 10) + dt.timedelta(days=i * 350 // UNITS)) for i in range(0, UNITS, 4)
    ]
    records = company(
        units="\n".join(units),
        jobs="\n".join(["job_id,unit_id,visited_on", *(f"j{i},u{i},{day}" for i, day in failed)]),
        lines="\n".join(
            ["job_id,part,finding,action", *(f"j{i},coil,failed,replaced" for i, _ in failed)]
        ),
    )
    answer = records.lives()
    world = {m["figure"]: m for m in answer.summary["fitted_world"]}
    bad = world["failures in year 10 of the records"]  # 2015 is year 1
    assert bad["records"] == UNITS / 4
    assert not bad["fits"]
    assert bad["fitted"] < 0.5 * bad["records"]
    said = [w.text for w in answer.warnings if w.code == "models_disagree"]
    assert any("failures in year 10 of the records: 60 in the records" in text for text in said)
    assert world["failures of the coil"]["fits"]  # how many there are, the fit does know
