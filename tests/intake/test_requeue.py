"""Out of quarantine: corrected by a person, or freed by the parent."""

from __future__ import annotations

import csv

import fastexcel
import pandas as pd
import pytest

from failstats.cli import main
from failstats.errors import InputError
from failstats.intake.load import load
from failstats.intake.remove import unload
from failstats.intake.requeue import write_quarantine

UNITS = "unit_id,family,installed_on\nu1,E1,2023-02-30\nu2,E1,2020-01-01\n"
JOBS = "job_id,unit_id,visited_on\nj1,u1,2023-03-01\nj2,u2,2023-03-01\n"
LINES = (
    "job_id,part,finding,action,reading,broke_at\nj1,coil,failed,replaced,9.9 ohm,=end\n"
    "j2,fuse,failed,replaced,OL,\nj2,coyl,failed,kept,320F,-middle\n"
)


def edit(path, **changes):
    """Change cells of the one data row of a file written out."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    for row in rows:
        row.update({name: value for name, value in changes.items() if name in row})
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return rows


def test_children_come_in_with_their_corrected_parent(put, ask, warehouse, tmp_path):
    first = put(units=UNITS, jobs=JOBS, lines=LINES)
    assert first.quarantined == 4  # the unit, its job, its line, and the misspelt part
    units, _jobs, lines = write_quarantine(warehouse, tmp_path / "out")
    assert [path.name for path in (units, lines)] == [
        "quarantine_units.csv", "quarantine_lines.csv",
    ]  # fmt: skip
    edit(units, installed_on="2023-02-27")
    second = load(warehouse, [], requeue=units)
    assert {row["table"]: (row["rows_in"], row["good"]) for row in second.batches} == {
        "units": (1, 1), "jobs": (1, 1), "lines": (1, 1),
    }  # fmt: skip
    assert ask("select batch, file, line, reading_ohm, broke_at from raw.lines "
               "where job_id = 'j1'") == [(2, "lines.csv", 2, 9.9, "=end")]  # fmt: skip
    assert ask("select \"table\", released_in from raw.quarantine order by released_in, 1") == [
        ("jobs", 2), ("lines", 2), ("units", 2), ("lines", None),
    ]  # fmt: skip


def test_what_could_be_read_survives_the_way_out_and_back(put, ask, warehouse, tmp_path):
    put(units=UNITS, jobs=JOBS, lines=LINES)
    lines = write_quarantine(warehouse, tmp_path / "out")[-1]
    rows = edit(lines)
    bad = next(row for row in rows if row["part"] == "coyl")
    assert (bad["reading"], bad["broke_at"], bad["action"]) == ("160.0 °C", "'-middle", "kept")
    assert "the nearest known one is coil" in bad["reasons"]
    with lines.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, bad.keys())
        writer.writeheader()
        writer.writerow({**bad, "part": "coil"})
    result = load(warehouse, [], requeue=lines)
    assert result.quarantined == 0
    assert ask("select reading_celsius, broke_at, line from raw.lines where part = 'coil'") == [
        (160.0, "-middle", 4)
    ]


def test_a_row_that_is_not_in_quarantine_is_refused(put, warehouse, tmp_path):
    put(units=UNITS)
    (units,) = write_quarantine(warehouse, tmp_path / "out")
    edit(units, line="9")
    with pytest.raises(InputError, match="must be in quarantine once"):
        load(warehouse, [], requeue=units)


def test_rows_that_came_in_since_they_were_written_out_are_left_alone(
    put, ask, warehouse, tmp_path
):
    # all tables written out at once, the parent taken back first: its child comes in with it
    bad = "j3,u2,2023-02-31\n"
    put(units=UNITS, jobs=JOBS + bad)
    units, jobs = write_quarantine(warehouse, tmp_path / "out")
    edit(units, installed_on="2023-02-27")
    assert load(warehouse, [], requeue=units).quarantined == 0
    put(jobs="job_id,unit_id,visited_on,complaint\nj1,u1,2023-03-02,dead\n")  # a later correction
    jobs.write_text(jobs.read_text("utf-8-sig").replace("2023-02-31", "2023-02-28"))
    result = load(warehouse, [], requeue=jobs)
    assert [(row["rows_in"], row["good"]) for row in result.batches] == [(1, 1)]
    assert "1 row has come in since it was written and is left alone (line 2)" in str(result)
    assert ask("select job_id, visited_on::varchar from raw.jobs where superseded_in is null "
               "order by 1") == [
        ("j1", "2023-03-02"), ("j2", "2023-03-01"), ("j3", "2023-02-28"),
    ]  # fmt: skip
    before = ask("select count(*) from raw.batches")
    again = load(warehouse, [], requeue=jobs)
    assert "2 rows have come in" in str(again)
    assert ask("select count(*) from raw.batches") == before


def test_a_row_refused_again_is_not_taken_from_the_old_file(put, warehouse, tmp_path):
    put(units=UNITS)
    (units,) = write_quarantine(warehouse, tmp_path / "out")
    edit(units, installed_on="2023-02-31")
    assert load(warehouse, [], requeue=units).quarantined == 1
    edit(units, installed_on="2023-02-27")
    with pytest.raises(InputError, match="must be in quarantine once"):
        load(warehouse, [], requeue=units)
    (again,) = write_quarantine(warehouse, tmp_path / "second")
    edit(again, installed_on="2023-02-27")
    assert load(warehouse, [], requeue=again).quarantined == 0


def test_a_row_corrected_wrongly_stays(put, ask, warehouse, tmp_path):
    put(units=UNITS)
    (units,) = write_quarantine(warehouse, tmp_path / "out")
    edit(units, installed_on="2023-02-31")
    result = load(warehouse, [], requeue=units)
    assert result.quarantined == 1
    assert ask("select count(*) from raw.quarantine where released_in is null") == [(1,)]


def test_lines_loaded_before_their_jobs_wait(put, ask):
    assert put(lines="job_id,part,finding,action\nj1,coil,failed,replaced\n").quarantined == 1
    put(units="unit_id,family\nu1,E1\n", jobs="job_id,unit_id,visited_on\nj1,u1,2023-03-01\n")
    assert ask("select batch, line from raw.lines") == [(2, 2)]
    assert ask("select count(*) from raw.quarantine where released_in is null") == [(0,)]


def test_a_good_row_of_the_same_key_closes_the_refused_one(put, ask):
    put(units=UNITS, jobs=JOBS)
    put(units=UNITS.replace("2023-02-30", "2023-02-20"))
    assert ask("select count(*) from raw.quarantine where released_in is null") == [(0,)]
    assert ask("select unit_id from raw.jobs order by 1") == [("u1",), ("u2",)]


def test_a_row_refused_again_is_listed_once(put, ask):
    put(units=UNITS)
    put(units=UNITS + "u3,E1,\n")
    assert ask("select batch from raw.quarantine where released_in is null") == [(2,)]
    put(units="unit_id,family,installed_on\nu1,E1,2023-02-31\n")
    assert ask("select batch from raw.quarantine where released_in is null order by 1") == [
        (2,), (3,),
    ]  # fmt: skip


def test_a_job_whose_unit_went_makes_a_call_out_unit(put, ask, warehouse):
    put(units=UNITS)
    put(jobs=JOBS)
    assert ask("select count(*) from raw.jobs") == [(1,)]
    unload(warehouse, 1)
    put(cleanings="unit_id,cleaned_on\nu2,2023-01-01\n")
    assert ask("select unit_id, family from raw.units order by 1") == [
        ("u1", "unknown"), ("u2", "unknown"),
    ]  # fmt: skip
    assert ask("select count(*) from raw.jobs") == [(2,)]


def test_a_waiting_row_that_a_file_brings_again_is_counted_once(put, ask):
    lines = "job_id,part,finding,action\nj2,coil,failed,replaced\nj2,fuse,failed,kept\n"
    put(lines=lines)
    second = put(units=UNITS, jobs=JOBS, lines=lines.replace("kept", "replaced"))
    assert ask("select part, action, line from raw.lines order by line") == [
        ("coil", "replaced", 2), ("fuse", "replaced", 3),
    ]  # fmt: skip
    counted = {row["file"]: (row["good"], row["duplicates"]) for row in second.batches
               if row["table"] == "lines"}  # fmt: skip
    assert counted == {"lines.csv": (2, 0), "quarantine (lines that waited)": (0, 2)}
    assert ask("select count(*) from raw.quarantine where \"table\" = 'lines' "
               "and released_in is null") == [(0,)]  # fmt: skip


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_refused_rows_go_out_and_come_back_through_the_commands(
    put, ask, warehouse, tmp_path, capsys, kind
):
    put(units=UNITS, jobs=JOBS, lines=LINES)
    out = tmp_path / "refused"
    asked = ["quality", "--quarantine", str(out), "-w", str(warehouse), "-q"]
    assert main(asked + (["--xlsx", str(tmp_path / "q.xlsx")] if kind == "xlsx" else [])) == 0
    told = capsys.readouterr().err
    assert f"wrote {out / f'quarantine_units.{kind}'}" in told
    assert sorted(path.name for path in out.iterdir()) == [
        f"quarantine_{table}.{kind}" for table in ("jobs", "lines", "units")
    ]
    lines = out / f"quarantine_lines.{kind}"
    if kind == "csv":
        lines.write_text(lines.read_text("utf-8-sig").replace("coyl", "coil"), "utf-8")
        edit(out / "quarantine_units.csv", installed_on="2023-02-27")
    else:
        units = out / "quarantine_units.xlsx"
        for path, old, new in ((lines, "coyl", "coil"), (units, "2023-02-30", "2023-02-27")):
            book = fastexcel.read_excel(str(path)).load_sheet(0, header_row=None, dtypes="string")
            sheet = pd.DataFrame(book.to_arrow().to_pydict()).fillna("").replace(old, new)
            sheet.to_excel(path, index=False, header=False)
    # the waiting line is among the corrected ones: it still waits, until its unit is there
    assert main(["load", "--requeue", str(lines), "-w", str(warehouse), "-q"]) == 3
    assert "1 good" in capsys.readouterr().out
    units = out / f"quarantine_units.{kind}"
    assert main(["load", "--requeue", str(units), "-w", str(warehouse), "-q"]) == 0
    assert ask("select job_id, part, reading_ohm, reading_celsius, reading_open, broke_at "
               "from raw.lines order by 1, 2") == [
        ("j1", "coil", 9.9, None, False, "=end"), ("j2", "coil", None, 160.0, False, "-middle"),
        ("j2", "fuse", None, None, True, None),
    ]  # fmt: skip
    assert ask("select count(*) from raw.quarantine where released_in is null") == [(0,)]
    capsys.readouterr()
    assert main([*asked, "--limit", "0"]) == 0
    assert "nothing is in quarantine" in capsys.readouterr().err


def test_corrections_are_never_written_over(put, warehouse, tmp_path):
    put(units=UNITS)
    (units,) = write_quarantine(warehouse, tmp_path / "out")
    edit(units, installed_on="2023-02-27")
    with pytest.raises(InputError, match=r"quarantine_units\.csv is there"):
        write_quarantine(warehouse, tmp_path / "out")
    assert "2023-02-27" in units.read_text()
    assert load(warehouse, [], requeue=units).quarantined == 0
