"""A wheel works away from the checkout: queries and demo records are in it."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built with hatchling, without the network."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT, check=True, capture_output=True,
    )  # fmt: skip
    (built,) = folder.glob("*.whl")
    return built


def test_queries_demo_and_words_are_in_it(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    for path in (ROOT / "queries").rglob("*.sql"):
        assert f"failstats/_queries/{path.relative_to(ROOT / 'queries').as_posix()}" in names
    for name in (
        "_demo/data/units.csv",
        "_demo/truth.toml",
        "_demo/generator.py",
        "vocabulary.toml",
        "rules.toml",
        "py.typed",
    ):
        assert f"failstats/{name}" in names
    assert not [name for name in names if name.endswith(".duckdb")]


def test_it_runs_from_elsewhere(wheel: Path, tmp_path: Path) -> None:
    place = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(place)
    code = (
        "import failstats, sys; from failstats.warehouse.queries import queries_folder, all_queries;"
        "from failstats.demo import demo_folder;"
        "print(failstats.__file__); print(queries_folder().name, len(all_queries()), demo_folder().name);"
        "from failstats.cli import main; sys.exit(main(['query']))"
    )
    environment = {**os.environ, "PYTHONPATH": str(place)}
    found = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    first, second, *_ = found.stdout.splitlines()
    assert str(place) in first
    assert second.startswith("_queries") and second.endswith("_demo")
