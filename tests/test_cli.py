"""The commands: help with an example, exit status, nothing but JSON with --json, three-part errors."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from failstats import __version__
from failstats.answers.lives import Lives
from failstats.answers.result import envelope_schema
from failstats.cli import cli, main
from failstats.demo import Demo

# contract, section 4
COMMANDS = (
    "demo draft load unload forget quality causes lives pairs vents stock policy rules report verify query backup restore migrate partition"
).split()


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(list(words))
    out, err = capsys.readouterr()
    return status, out, err


def three_parts(err: str) -> bool:
    lines = err.strip().splitlines()
    return any(line.startswith("where: ") for line in lines) and any(
        line.startswith("do: ") for line in lines
    )


def test_all_the_contracts_commands_are_there() -> None:
    assert set(COMMANDS) == set(cli.commands)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, command, "--help")
    assert status == 0
    assert "Example" in out and f"failstats {command}" in out


@pytest.mark.parametrize(
    "command",
    [
        "quality",
        "causes",
        "lives",
        "pairs",
        "vents",
        "stock",
        "policy",
        "rules",
        "report",
        "verify",
        "query",
    ],
)
def test_analyses_take_the_shared_options(command: str) -> None:
    taken = {option for parameter in cli.commands[command].params for option in parameter.opts}
    assert {
        "--json",
        "--csv",
        "--xlsx",
        "--as-of",
        "--as-loaded",
        "--from",
        "--family",
        "--fuel",
        "--contract-only",
        "--confidence-level",
        "-w",
        "-q",
    } <= taken


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "--version")
    assert status == 0 and __version__ in out


def test_json_is_the_only_thing_on_standard_output(
    made: Demo, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, "lives", "--part", "coil", "--json", "-w", str(made.warehouse))
    assert status == 0
    jsonschema.validate(json.loads(out), envelope_schema(Lives))
    assert err == ""  # progress is for terminals
    status, out, err = run(
        capsys, "lives", "--part", "coil", "--json", "-q", "-w", str(made.warehouse)
    )
    assert status == 0 and err == ""


def test_csv_and_xlsx_are_written(
    made: Demo, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    import pandas as pd

    status, _, _ = run(
        capsys,
        "causes",
        "--csv",
        str(tmp_path / "out"),
        "--xlsx",
        str(tmp_path / "c.xlsx"),
        "-w",
        str(made.warehouse),
    )
    assert status == 0
    written = pd.read_csv(tmp_path / "out" / "causes.csv")
    assert list(written["part"]) == list(made.answers["causes"].table()["part"])
    assert (tmp_path / "c.xlsx").read_bytes()[:2] == b"PK"


@pytest.mark.parametrize("words", [
    ["nothing"],
    ["lives", "--nothing"],
    ["lives", "-w", "nowhere.duckdb"],
    ["lives", "--as-of", "31.12.2024"],
    ["lives", "--confidence-level", "95"],
    ["load"],
    ["load", "nowhere"],
    ["unload", "zero"],
    ["draft", "dreams"],
    ["draft", "costs", "file.csv"],
    ["draft", "map"],
    ["stock", "--fix", "coil-e1"],
    ["demo", "-w", "mine.duckdb"],
    ["query", "stg_units", "--set", "nothing"],
    ["query", "nothing", "-w", "nowhere.duckdb"],
    ["restore", "nowhere.duckdb"],
])  # fmt: skip
def test_a_users_mistake_gets_three_parts_and_status_2(
    words: list[str],
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = run(capsys, *words)
    assert status == 2
    assert out == ""
    assert three_parts(err)
    assert "Traceback" not in err


@pytest.mark.parametrize("words", [
    ["lives", "--part", "coyl"],
    ["lives", "--family", "E9"],
    ["vents", "--as-of", "2030-01-01"],
    ["causes", "--complaint", "sad"],
    ["stock", "--van", "nowhere"],
    ["stock", "--costs", "nowhere.toml"],
    ["policy", "--costs", "nowhere.toml"],
    ["rules", "--file", "nowhere.toml"],
    ["query", "lives_cells"],
    ["lives", "--from", "2026-01-01"],
])  # fmt: skip
def test_mistakes_about_the_records(
    words: list[str], made: Demo, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, *words, "-w", str(made.warehouse))
    assert status == 2 and out == "" and three_parts(err) and "Traceback" not in err


def test_a_file_that_is_no_warehouse(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = tmp_path / "w.duckdb"
    wrong.write_text("this is text")
    status, _, err = run(capsys, "lives", "-w", str(wrong))
    assert status == 2 and "must be a DuckDB file" in err and three_parts(err)


def test_unexpected_fault_is_status_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], made: Demo
) -> None:
    from failstats.records import Records

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(Records, "quality", broken)
    status, _, err = run(capsys, "quality", "-w", str(made.warehouse))
    assert status == 1 and "unexpected fault: ZeroDivisionError" in err and "Traceback" not in err


def test_load_says_3_when_rows_were_quarantined(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "units.csv").write_text(
        "unit_id,family,installed_on\nu1,E1,2019-01-01\nu2,E1,2019-02-30\n"
    )
    (tmp_path / "jobs.csv").write_text("job_id,unit_id,visited_on\nj1,u1,2020-01-01\n")
    warehouse = str(tmp_path / "w.duckdb")
    status, out, _ = run(
        capsys,
        "load",
        str(tmp_path / "units.csv"),
        str(tmp_path / "jobs.csv"),
        "-w",
        warehouse,
        "--json",
    )
    assert status == 3
    assert sum(b["quarantined"] for b in json.loads(out)["results"]["batches"]) == 1
    status, out, _ = run(capsys, "quality", "-w", warehouse)
    assert status == 0 and "units.csv" in out and "installed_on" in out
    status, out, _ = run(capsys, "load", str(tmp_path / "jobs.csv"), "-w", warehouse)
    assert status == 0 and "already loaded" in out


def test_backup_and_restore(made: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copy.duckdb"
    assert run(capsys, "backup", str(copy), "-w", str(made.warehouse))[0] == 0
    assert run(capsys, "backup", str(copy), "-w", str(made.warehouse))[0] == 2  # never overwrites
    back = tmp_path / "back.duckdb"
    assert run(capsys, "restore", str(copy), "-w", str(back))[0] == 0
    assert back.read_bytes() == made.warehouse.read_bytes()


def test_settings_file_saves_repeating(
    made: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAILSTATS_WAREHOUSE", raising=False)
    (tmp_path / "failstats.toml").write_text(
        f"warehouse = '{made.warehouse}'\n[show]\npaper = 'letter'\n"
    )
    assert run(capsys, "causes")[0] == 0
    (tmp_path / "failstats.toml").write_text("warehous = 'x'\n")
    status, _, err = run(capsys, "causes")
    assert status == 2 and "warehous was given" in err


@pytest.mark.parametrize("command", ["policy", "stock"])
@pytest.mark.parametrize(
    ("place", "said"), [("nowhere/card.html", "must exist"), (".", "is a folder")]
)
def test_a_page_that_cannot_be_written_is_refused_before_the_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, place: str, said: str
) -> None:
    # no warehouse there: what is refused first is what was looked at first
    status, out, err = run(
        capsys, command, "--print", str(tmp_path / place), "-w", str(tmp_path / "none.duckdb")
    )
    assert status == 2
    assert out == ""
    assert said in err
    assert three_parts(err)


def test_printed_sheets(made: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    costs = str(Path(__file__).parents[1] / "demo_warehouse" / "costs.toml")
    card, vans = tmp_path / "card.html", tmp_path / "vans.html"
    assert (
        run(capsys, "policy", "--costs", costs, "--print", str(card), "-w", str(made.warehouse))[0]
        == 0
    )
    assert "240 V" in card.read_text()
    assert (
        run(capsys, "stock", "--van", "harbour", "--print", str(vans), "-w", str(made.warehouse))[0]
        == 0
    )
    assert "harbour" in vans.read_text()


def test_console_script_and_broken_pipe(made: Demo) -> None:
    command = [
        sys.executable,
        "-m",
        "failstats",
        "query",
        "fact_lives",
        "-q",
        "--json",
        "-w",
        str(made.warehouse),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        err = process.stderr.read().decode()
        process.wait()
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        (["failstats", "ver"], ["verify"]),
        (["failstats", "lives", "--clo"], ["--clock"]),
        (["failstats", "draft", "r"], ["rules"]),
    ],
)
def test_the_shell_can_complete_words(typed: list[str], offered: list[str]) -> None:
    """click's own completion, as the README says to switch it on."""
    environment = {
        **os.environ,
        "_FAILSTATS_COMPLETE": "bash_complete",
        "COMP_WORDS": " ".join(typed),
        "COMP_CWORD": str(len(typed) - 1),
    }
    done = subprocess.run(
        [sys.executable, "-m", "failstats"], env=environment, capture_output=True, text=True
    )
    assert [line.partition(",")[2] for line in done.stdout.splitlines()] == offered
    readme = (Path(__file__).resolve().parents[1] / "README.md").read_text("utf-8")
    assert 'eval "$(_FAILSTATS_COMPLETE=bash_source failstats)"' in readme
