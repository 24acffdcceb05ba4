"""The notebooks run against the demo company and print what is kept in them."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import nbformat
import pytest

from failstats.demo import Demo

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
spec = importlib.util.spec_from_file_location("run_notebooks", FOLDER / "run_notebooks.py")
assert spec is not None
assert spec.loader is not None
notebooks = importlib.util.module_from_spec(spec)
spec.loader.exec_module(notebooks)
BOOKS = notebooks.notebooks()
place = importlib.util.spec_from_file_location("demo_company", FOLDER / "demo_company.py")
assert place is not None
assert place.loader is not None
demo_company = importlib.util.module_from_spec(place)
place.loader.exec_module(demo_company)


def test_there_is_one_for_each_reader_and_question() -> None:
    assert [path.stem.split("_", 1)[1] for path in BOOKS] == [
        "bring_your_own_records", "planner", "analyst", "manager", "causes", "quality", "rules",
    ]  # fmt: skip


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_it_begins_with_what_a_person_asks(path: Path) -> None:
    first = nbformat.read(path, as_version=4).cells[0]
    assert first.cell_type == "markdown"
    assert re.match(r"# \"?[A-Z].*[?:\"]", first.source), first.source[:80]


def test_every_question_is_asked_in_a_notebook() -> None:
    code = "\n".join(
        cell.source
        for path in BOOKS
        for cell in nbformat.read(path, as_version=4).cells
        if cell.cell_type == "code"
    )
    for question in ("causes", "lives", "pairs", "vents", "stock", "policy", "rules", "quality"):
        assert f"records.{question}(" in code, question


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_it_prints_what_is_kept(path: Path, made: Demo) -> None:
    kept = nbformat.read(path, as_version=4)
    assert notebooks.said(notebooks.run(path, made.warehouse)) == notebooks.said(kept)


def test_the_warehouse_is_found_after_the_quick_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the notebooks, one folder up, or where the setting says; else what to run."""
    monkeypatch.delenv("FAILSTATS_WAREHOUSE", raising=False)
    books = tmp_path / "notebooks"
    books.mkdir()
    monkeypatch.chdir(books)
    with pytest.raises(FileNotFoundError, match="Run: failstats demo"):
        demo_company.warehouse()
    for folder in (tmp_path, books):  # the nearer one counts
        (folder / "failstats-demo").mkdir()
        made_there = folder / "failstats-demo" / "demo.duckdb"
        made_there.touch()
        assert demo_company.warehouse().resolve() == made_there
        assert not demo_company.warehouse().is_absolute()
    monkeypatch.setenv("FAILSTATS_WAREHOUSE", "ours.duckdb")
    assert demo_company.warehouse() == Path("ours.duckdb")


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)
def test_no_place_of_a_machine_is_kept(path: Path) -> None:
    assert not re.search(r"(?<![\w.])/(?:tmp|root|home|work)/", path.read_text("utf-8"))
