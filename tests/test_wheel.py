"""A wheel works away from the checkout: queries and demo records are in it.

What is installed here comes from the wheel alone, its libraries from the environment of the tests:
no network. `test_a_clean_install_gives_the_demo` (slow) gets the libraries too, and is skipped, and
says so, where no package index can be reached.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

from failstats import __version__

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
        "import failstats, sys;"
        "from failstats.warehouse.queries import queries_folder, all_queries;"
        "from failstats.demo import demo_folder;"
        "print(failstats.__file__);"
        "print(queries_folder().name, len(all_queries()), demo_folder().name);"
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
    assert second.startswith("_queries")
    assert second.endswith("_demo")


def _environment() -> dict[str, str]:
    """Without anything that leads back to the checkout."""
    return {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "FAILSTATS"))}


def _scripts(place: Path) -> Path:
    return place / ("Scripts" if os.name == "nt" else "bin")


def _say(program: Path, *words: str, folder: Path) -> str:
    done = subprocess.run(
        [program, *words], cwd=folder, env=_environment(), capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def alone(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command, installed from the wheel into an environment of its own."""
    place = tmp_path_factory.mktemp("alone") / "env"
    venv.create(place, with_pip=False)
    python = _scripts(place) / "python"
    subprocess.run(
        [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--no-index",
         "--no-deps", "--disable-pip-version-check", str(wheel)],
        check=True, capture_output=True, env=_environment(),
    )  # fmt: skip
    # the libraries of the tests, after its own packages; the checkout is not among them
    site = next(place.rglob("site-packages"))
    (site / "libraries.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    return _scripts(place) / "failstats"


def test_the_command_works_on_its_own(alone: Path, tmp_path: Path) -> None:
    where = _say(
        alone.parent / "python", "-c", "import failstats; print(failstats.__file__)",
        folder=tmp_path,
    )  # fmt: skip
    assert str(alone.parents[1]) in where
    assert _say(alone, "--version", folder=tmp_path) == f"failstats, version {__version__}\n"
    demo = next(alone.parents[1].rglob("_demo"))
    _say(
        alone, "load", *(str(demo / "data" / f"{name}.csv") for name in ("units", "jobs", "lines")),
        "--map", str(demo / "mapping.toml"), "-w", "w.duckdb", "-q", folder=tmp_path,
    )  # fmt: skip
    said = _say(alone, "causes", "--complaint", "no_heat", "-w", "w.duckdb", "-q", folder=tmp_path)
    assert said.startswith("Behind no heat (4,083 faults): cutout 40 %")


def test_the_source_archive_builds_the_same_wheel(wheel: Path, tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)],
        cwd=ROOT, check=True, capture_output=True,
    )  # fmt: skip
    (archive,) = tmp_path.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path, filter="data")
    inside = tmp_path / archive.name.removesuffix(".tar.gz")
    for name in ("LICENSE", "CHANGELOG.md", "CITATION.cff", "README.md", "DEVELOPERS.md"):
        assert (inside / name).is_file(), name
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=inside, check=True, capture_output=True,
    )  # fmt: skip
    (again,) = tmp_path.glob("*.whl")
    names = [set(zipfile.ZipFile(path).namelist()) for path in (wheel, again)]
    assert names[0] == names[1]


def test_versions_agree() -> None:
    cited = (ROOT / "CITATION.cff").read_text("utf-8")
    assert f"\nversion: {__version__}\n" in cited
    assert f"\n## {__version__}\n" in (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert __version__.count(".") == 2
    assert all(part.isdigit() for part in __version__.split("."))


NO_INDEX = ("No matching distribution", "NewConnectionError", "Connection", "Temporary failure")


@pytest.mark.slow
def test_a_clean_install_gives_the_demo(wheel: Path, tmp_path: Path) -> None:
    place = tmp_path / "env"
    venv.create(place, with_pip=True)
    done = subprocess.run(
        [_scripts(place) / "python", "-m", "pip", "install", "--quiet", str(wheel)],
        env=_environment(), capture_output=True, text=True,
    )  # fmt: skip
    if done.returncode and any(word in done.stderr for word in NO_INDEX):
        pytest.skip("needs a package index, and none can be reached")
    assert done.returncode == 0, done.stderr
    said = _say(_scripts(place) / "failstats", "demo", "--out", "demo", "-q", folder=tmp_path)
    assert "What to put on the vans" in said
    assert (tmp_path / "demo" / "report.html").stat().st_size > 1e6
