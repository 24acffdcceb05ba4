"""The guide: every command in it runs, its generated pages are current, its words are explained."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from failstats import records
from failstats.cli import cli
from failstats.demo import Demo, demo_folder
from failstats.warehouse.dictionary import dictionary_text

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "failstats" / "guide"
ROWS_SET_ASIDE = 3  # the contract's exit status of a load with quarantined rows
PAGES = sorted(path.name for path in GUIDE.glob("*.md"))


def commands(page: str) -> list[list[str]]:
    blocks = re.findall(r"```console\n(.*?)```", (GUIDE / page).read_text("utf-8"), re.S)
    lines = [line for block in blocks for line in block.splitlines() if line.startswith("$ ")]
    return [shlex.split(line.removeprefix("$ failstats ")) for line in lines]


def carry_out(words: list[str]) -> None:
    done = CliRunner().invoke(cli, [*words, *(["-q"] if words[0] != "draft" else [])])
    allowed = (0, ROWS_SET_ASIDE) if words[0] == "load" else (0,)
    assert done.exit_code in allowed, (words, done.output, done.stderr)


@pytest.fixture(scope="module")
def opened_once(made: Demo) -> Iterator[Callable[..., Any]]:
    """A warehouse asked by several commands is opened once, what it fitted is kept, and answers
    that others rest on are those of the demo, as in `report`."""
    known: dict[str, Any] = {}
    ours, close = records.open_warehouse, records.Records.close

    def opened(path: Any, **how: Any) -> Any:
        key = repr((str(path), sorted(how.items())))
        if key not in known:
            known[key] = ours(path, **how)
            known[key]._known.update({(c, 0.95): made.answers[c] for c in ("pairs", "vents")})
        return known[key]

    yield opened
    for one in known.values():
        close(one)


@pytest.mark.parametrize("page", ["planner.md", "analyst.md", "manager.md"])
def test_how_to_pages_run(
    page: str,
    made: Demo,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    opened_once: Callable[..., Any],
) -> None:
    monkeypatch.setattr(records, "open_warehouse", opened_once)
    monkeypatch.setattr(records.Records, "close", lambda _: None)
    all_commands_run(page, made.warehouse, tmp_path, monkeypatch)


def test_the_page_on_scale_runs(
    made: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    warehouse = tmp_path / "w.duckdb"  # what is open already holds to its own limit of memory
    shutil.copy(made.warehouse, warehouse)
    all_commands_run("scale.md", warehouse, tmp_path, monkeypatch)


def all_commands_run(
    page: str, warehouse: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAILSTATS_WAREHOUSE", str(warehouse))
    wanted = commands(page)
    assert len(wanted) >= 2
    for words in wanted:
        carry_out(words)


def test_the_tutorial_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAILSTATS_WAREHOUSE", "ours.duckdb")
    for name in ("messy_export.csv", "messy_export.toml"):
        shutil.copy(ROOT / "notebooks" / name, tmp_path)
    shutil.copy(demo_folder() / "data" / "catalogue.csv", tmp_path)
    for words in commands("tutorial.md"):
        carry_out(words)
    for made_there in ("drafted.toml", "refused", "blank", "list.html"):
        assert (tmp_path / made_there).exists()


def test_the_data_dictionary_is_current() -> None:
    assert (GUIDE / "data_dictionary.md").read_text("utf-8") == dictionary_text()


def test_the_glossary_is_sorted_and_every_entry_says_something() -> None:
    entries = re.findall(r"^- \*\*(.+?)\*\*.*?: (.+)$", (GUIDE / "glossary.md").read_text("utf-8"),
                         re.M)  # fmt: skip
    words = [word.lower() for word, _ in entries]
    assert words == sorted(words)
    assert all(len(meaning) > 10 for _, meaning in entries)


@pytest.mark.parametrize("page", PAGES)
def test_pages_name_only_files_that_exist(page: str) -> None:
    text = (GUIDE / page).read_text("utf-8")
    for link in re.findall(r"\]\(([^)#]+)\)", text):
        assert (GUIDE / link).exists(), link


def test_readme_shows_the_whole_guide() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    assert [page for page in PAGES if f"failstats/guide/{page}" not in readme] == []
