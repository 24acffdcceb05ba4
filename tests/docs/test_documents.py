"""README and DEVELOPERS say what the program does: commands run, printed output is the program's."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from failstats.cli import cli
from failstats.demo import Demo
from failstats.records import Records
from failstats.show.cautions import cautions

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def plain(text: str) -> str:
    return " ".join(text.split())


def test_readme_states_the_job_in_one_paragraph_at_the_top() -> None:
    first = README.split("\n\n")[1]
    for word in ("repairs clothes dryers", "van planner", "analyst", "manager"):
        assert word in first
    assert "\n" not in first.strip()


def test_three_answers_are_the_demos_line_by_line(
    made: Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    block = re.search(r"```text\n(What to put.*?)```", README, re.S)
    assert block
    assert block[1].rstrip() == made.three_answers()
    monkeypatch.setenv("COLUMNS", "60")
    assert max(map(len, made.three_answers().splitlines())) <= 60


def test_lives_output_is_the_programs(
    demo_records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    block = re.search(r"```text\n(One in ten .*?)```", README, re.S)
    assert block
    assert block[1].rstrip() == str(demo_records.lives("coil", by="family")).rstrip()


def test_told_and_naive_figures_are_the_demos(made: Demo, demo_records: Records) -> None:
    import tomllib

    import numpy as np

    from failstats.counts.risk_table import RiskTable
    from failstats.demo import demo_folder
    from failstats.estimate.life_models import fit

    told = tomllib.loads((demo_folder() / "truth.toml").read_text("utf-8"))
    derived = tomllib.loads((demo_folder() / "derived.toml").read_text("utf-8"))
    assert f"fail {told['neglect']['coil']['over_24_months']} times as often" in README
    assert f"fail {told['pair']['multiplier']:.0f} times as fast" in README
    frame = demo_records.query("fact_lives")
    coils = frame[(frame["part"] == "coil") & (frame["exit_days"] > 0)]
    cause = np.where(coils["ending"] == "failed", "failed", "")
    naive = fit(RiskTable.from_lives(0, coils["exit_days"].to_numpy(float), cause), cause="failed")
    off = naive.parameters["scale"] / derived["coil"]["scale_days"] - 1
    assert f"{100 * off:.0f} % too high" in README
    units = len(demo_records.query("stg_units"))
    assert f"{round(units, -3):,} dryers" in README


def test_cautions_are_all_in_the_readme() -> None:
    for caution in cautions():
        assert plain(caution) in plain(README)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_commands_named_are_there_with_their_options(document: str) -> None:
    text = (ROOT / document).read_text("utf-8")
    lines = [
        line
        for block in re.findall(r"```(?:sh|console)\n(.*?)```", text, re.S)
        for line in block.splitlines()
    ]
    seen = 0
    for line in lines:
        for command in re.split(r"&&", line.removeprefix("$ ").split("#")[0]):
            words = shlex.split(command)
            if not words or Path(words[0]).name != "failstats":
                continue
            seen += 1
            known = cli.commands[words[1]]
            options = {option for parameter in known.params for option in parameter.opts}
            assert {word for word in words[2:] if word.startswith("-")} <= options, command
    assert seen or document == "DEVELOPERS.md"  # its blocks run python and uv
    for name in re.findall(r"`failstats (\w+)`", text):
        assert name in cli.commands


def test_linked_files_are_there() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            if "://" not in target:
                assert (ROOT / target).exists(), target


def test_python_snippet_runs(made: Demo, capsys: pytest.CaptureFixture[str]) -> None:
    block = re.search(r"```python\n(.*?)```", README, re.S)
    assert block
    exec(block[1].replace("failstats-demo/demo.duckdb", str(made.warehouse)), {})
    assert "coil" in capsys.readouterr().out


def test_ci_runs_the_readmes_test_command() -> None:
    block = re.search(r"## Test it\n\n```sh\n(.*?)\n```", README, re.S)
    assert block
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert block[1] in script


def test_every_module_named_in_the_tour_is_there() -> None:
    for name in re.findall(r"`((?:failstats|queries|tests|demo_warehouse)/[\w./-]+)`", DEVELOPERS):
        assert (ROOT / name).exists(), name
