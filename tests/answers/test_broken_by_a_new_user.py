"""What a new user once broke: odd companies and odd wishes, each with what must happen."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import failstats
from failstats.cli import main
from failstats.demo import Demo
from failstats.errors import InputError
from failstats.records import Records


def spans(records: Records) -> dict[str, int]:
    return records.query("fact_spans")["followed_as"].value_counts().to_dict()


@pytest.mark.parametrize(("kind", "expected"), [("installation", "contract"), ("maintenance", "contract"), ("call_out", "call_out")])  # fmt: skip
def test_only_a_call_out_makes_a_unit_join_because_of_it(
    company: Callable[..., Records], kind: str, expected: str
) -> None:
    records = company(
        units="unit_id,family,installed_on,enrolled_on\nu1,E1,2016-01-01,2016-01-01",
        jobs=f"job_id,unit_id,visited_on,kind\nj1,u1,2016-01-01,{kind}",
    )
    assert spans(records) == {expected: 1}


def test_renewing_a_contract_makes_no_call_out_unit(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family,installed_on,enrolled_on,left_on\nu1,E1,2016-01-01,2016-01-01,2016-12-31",
        periods="unit_id,enrolled_on,left_on\nu1,2017-01-01,2017-12-31",
        jobs="job_id,unit_id,visited_on\nj1,u1,2016-12-20",
    )
    assert spans(records) == {"contract": 1}


def test_a_fault_found_on_the_second_visit_began_with_the_first(
    company: Callable[..., Records],
) -> None:
    records = company(
        units="unit_id,family,installed_on\nu1,E1,2016-01-01",
        jobs="job_id,unit_id,visited_on,completed,continues\na,u1,2020-01-01,no,\nb,u1,2020-01-07,yes,a",
        lines="job_id,part,finding,action\nb,coil,failed,replaced",
    )
    lives = records.query("fact_lives")
    first = lives[(lives["part"] == "coil") & (lives["first_or_later"] == "first")].iloc[0]
    assert first["entry_days"] == first["exit_days"] == 1461  # nothing is learnt from it
    later = lives[(lives["part"] == "coil") & (lives["first_or_later"] == "later")].iloc[0]
    assert str(later["born_on"])[:10] == "2020-01-07"


def test_a_part_fitted_in_the_episode_fails_on_its_own_day(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family,installed_on,enrolled_on\nu1,E1,2016-01-01,2016-01-01",
        jobs="job_id,unit_id,visited_on,completed,continues\na,u1,2020-01-01,no,\nb,u1,2020-01-07,yes,a",
        lines="job_id,part,finding,action\na,coil,failed,replaced\nb,coil,failed,replaced",
    )
    coil = records.query("fact_lives").query("part == 'coil'").sort_values("ordinal")
    assert coil["exit_days"].tolist()[:2] == [1461, 6]


def test_a_stated_end_of_the_records_stands(
    company: Callable[..., Records], tmp_path: Path
) -> None:
    records = company(
        units="unit_id,family,installed_on,enrolled_on\nu1,E1,2016-01-01,2016-01-01",
        jobs="job_id,unit_id,visited_on\nj1,u1,2020-01-01",
        span=("2015-01-01", "2020-12-31"),
    )
    path = records._session.path
    records.close()
    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "jobs.csv").write_text("job_id,unit_id,visited_on\nj2,u1,2021-06-01\n")
    found = failstats.load(path, [folder])
    assert any("records_to is stated as 2020-12-31" in note for note in found.notes)
    with failstats.open_warehouse(path) as again:
        assert again.as_of.isoformat() == "2020-12-31"
        assert len(again.query("stg_jobs")) == 1


def test_the_level_asked_for_is_the_level_said_and_changes_no_advice(demo_records: Records) -> None:
    wide, narrow = (demo_records.lives("fuse", confidence_level=c) for c in (0.95, 0.8))
    assert "80 % interval" in str(narrow) and "95 % interval" not in str(narrow)
    width = [np.ptp(np.log(a.results[0].parameters_ci["scale_days"])) for a in (wide, narrow)]
    assert width[1] == pytest.approx(width[0] * 1.2815515655446004 / 1.959963984540054, rel=0.02)
    pairs = [demo_records.pairs(confidence_level=c) for c in (0.95, 0.8)]
    for one, other in zip(*(a.results for a in pairs), strict=True):
        if one.odds_ratio_ci[0] and one.odds_ratio_ci[1]:
            assert other.odds_ratio_ci[0] > one.odds_ratio_ci[0]
        for a, b in zip(one.follow_on, other.follow_on, strict=True):
            assert (b.ratio_ci[0] or 0) >= (a.ratio_ci[0] or 0)


def test_a_window_beyond_the_records_is_refused(demo_records: Records) -> None:
    with pytest.raises(InputError, match="must lie within the 2921 days"):
        demo_records.pairs(window=99999)


def test_an_unknown_batch_is_refused(made: Demo) -> None:
    with pytest.raises(InputError, match="--as-loaded must name a batch"):
        failstats.open_warehouse(made.warehouse, as_loaded=99)


def test_room_without_volumes_is_refused(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family,installed_on,van_id\nu1,E1,2016-01-01,v1",
        jobs="job_id,unit_id,visited_on\nj1,u1,2025-06-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
        catalogue="item_id,part,family,price\nc1,coil,E1,46",
    )
    with pytest.raises(InputError, match="needs the volume of the items"):
        records.stock(volume=10.0)


def test_report_without_a_catalogue_says_what_it_leaves_out(
    company: Callable[..., Records], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = company(
        units="unit_id,family,installed_on\nu1,E1,2016-01-01",
        jobs="job_id,unit_id,visited_on\nj1,u1,2025-06-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
    )
    path = str(records._session.path)
    records.close()
    status = main(["report", "--out", str(tmp_path / "r"), "-w", path, "-q"])
    err = capsys.readouterr().err
    assert status == 0 and (tmp_path / "r" / "report.html").exists()
    assert "left out of the report: stock" in err


def test_quality_lists_reasons_when_everything_was_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "jobs.csv").write_text("job_id,unit_id,visited_on\nj1,u1,2019-02-30\n")
    warehouse = str(tmp_path / "w.duckdb")
    assert main(["load", str(tmp_path / "jobs.csv"), "-w", warehouse, "-q"]) == 3
    capsys.readouterr()
    assert main(["quality", "-w", warehouse, "-q"]) == 0
    assert "visited_on" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["causes", "--csv"], ["report", "--out"], ["demo", "--out"]])
def test_a_file_where_a_folder_is_wanted(
    words: list[str], made: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "taken"
    taken.write_text("x")
    more = [] if words[0] == "demo" else ["-w", str(made.warehouse)]
    assert main([*words, str(taken), *more, "-q"]) == 2
    err = capsys.readouterr().err
    assert "where: " in err and "do: " in err


@pytest.mark.parametrize("words", [["--fix", "cutout-std=1000"], ["--fix", "belt-long=2", "--exclude", "belt-long"]])  # fmt: skip
def test_stock_faults_name_the_van_and_the_item(
    words: list[str], made: Demo, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["stock", "--van", "harbour", *words, "-w", str(made.warehouse), "-q"]) == 2
    err = capsys.readouterr().err
    assert "where: van harbour" in err and "do: " in err and "item 5" not in err


def test_old_units_only_still_get_an_answer(company: Callable[..., Records]) -> None:
    units = "\n".join(f"u{k},E1,2000-01-01,2020-01-01" for k in range(30))
    jobs = "\n".join(f"j{k},u{k},202{1 + k % 4}-03-0{1 + k % 9}" for k in range(20))
    lines = "\n".join(f"j{k},coil,failed,replaced" for k in range(20))
    records = company(
        units=f"unit_id,family,installed_on,enrolled_on\n{units}",
        jobs=f"job_id,unit_id,visited_on\n{jobs}",
        lines=f"job_id,part,finding,action\n{lines}",
        span=("2019-01-01", "2025-12-31"),
    )
    answer = records.lives("coil", births="assumed")
    assert answer.results[0].births == "assumed"
    json.dumps(answer.to_dict(), allow_nan=False)


def test_first_and_later_lives_are_both_reported(made: Demo) -> None:
    coil = next(r for r in made.answers["lives"].results if r.part == "coil")
    assert {e.assumption for e in coil.first_and_later} == {"first_lives", "later_lives"}
    assert sum(e.failures for e in coil.first_and_later) == coil.failures
