"""What most tests start from: a few rows as a warehouse, or the demo company with its answers."""

from __future__ import annotations

import dataclasses
import importlib.util
import os
import pickle
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# a width of its own, whatever terminal or process the tests run in
os.environ.setdefault("COLUMNS", "100")
# as the command does: the matrices are small, and threads would only wait for each other
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import failstats  # noqa: E402
from failstats.demo import Demo  # noqa: E402
from failstats.records import Records  # noqa: E402

ROOT = Path(__file__).resolve().parents[1]
LONGEST_BUILD = 400  # seconds, on a machine that is busy with the tests
BUILDER = pytest.StashKey[subprocess.Popen[bytes]]()
_spec = importlib.util.spec_from_file_location("run_demo_once", ROOT / "tests/run_demo_once.py")
assert _spec is not None
assert _spec.loader is not None
run_demo_once = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(run_demo_once)

# a submission is judged on the same examples every time; elsewhere new ones are looked for
settings.register_profile("repeatable", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("repeatable")


@pytest.fixture
def company(tmp_path: Path) -> Iterator[Callable[..., Records]]:
    """Load tables given as text and open them: company(units="…", jobs="…", as_of="2024-01-01")."""
    opened: list[Records] = []

    def build(
        *,
        span: tuple[str, str] = ("2015-01-01", "2025-12-31"),
        options: dict[str, Any] | None = None,
        **tables: str,
    ) -> Records:
        folder = tmp_path / f"records_{len(opened)}"
        folder.mkdir()
        for name, text in tables.items():
            lines = [line.strip() for line in text.strip().splitlines()]
            (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        mapping = tmp_path / f"map_{len(opened)}.toml"
        mapping.write_text(f'records_from = {span[0]}\nrecords_to = {span[1]}\ncurrency = "USD"\n')
        warehouse = tmp_path / f"w_{len(opened)}.duckdb"
        failstats.load(warehouse, [folder], mapping=mapping)
        records = failstats.open_warehouse(warehouse, **(options or {}))
        opened.append(records)
        return records

    yield build
    for records in opened:
        records.close()


# --- the demo company: built once for all processes of a run ------------------------------------


def _uses_demo(item: pytest.Item) -> bool:
    return "made" in getattr(item, "fixturenames", ())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that need the demo come last: it is being built while the others run."""
    needy = {item.path for item in items if _uses_demo(item)}
    # the longest of them first, so that no process is left with them at the end
    items.sort(key=lambda item: (item.path in needy, "docs" not in item.path.parts))


def _shared_folder(base: Path) -> Path | None:
    """Where all processes of a run see the same files; None in a run of one process."""
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else None


def pytest_collection_finish(session: pytest.Session) -> None:
    """The first process whose tests need the demo has it built beside them."""
    factory = session.config._tmp_path_factory  # type: ignore[attr-defined]
    shared = _shared_folder(factory.getbasetemp())
    if shared is None or not any(map(_uses_demo, session.items)):
        return
    folder = shared / "demo_once"
    try:
        folder.mkdir()
    except FileExistsError:
        return
    paths = [str(ROOT), *os.environ.get("PYTHONPATH", "").split(os.pathsep)]
    with (folder / "log").open("w") as log:
        session.config.stash[BUILDER] = subprocess.Popen(
            [sys.executable, str(run_demo_once.__file__), str(folder)],
            stdout=log, stderr=log, env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )  # fmt: skip


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A run that ends early leaves nothing running."""
    builder = session.config.stash.get(BUILDER, None)
    if builder is not None and builder.poll() is None:
        builder.terminate()
        builder.wait()


def _waited_for(folder: Path) -> tuple[Demo, run_demo_once.Heard]:
    """What another process has built, when it is whole."""
    end = time.monotonic() + LONGEST_BUILD
    while not (folder / run_demo_once.MADE).exists():
        log = (folder / "log").read_text() if (folder / "log").exists() else ""
        assert "Traceback" not in log, log
        assert time.monotonic() < end, f"the demo was not built in {LONGEST_BUILD} s: {log}"
        time.sleep(0.2)
    found: tuple[Demo, run_demo_once.Heard] = pickle.loads(
        (folder / run_demo_once.MADE).read_bytes()
    )
    return found


@pytest.fixture(scope="session")
def _built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Demo, run_demo_once.Heard]:
    """The whole demo and what its steps said, with files of this process's own."""
    own = tmp_path_factory.mktemp("demo")
    shared = _shared_folder(tmp_path_factory.getbasetemp())
    if shared is None:
        return run_demo_once.build(own)
    made, heard = _waited_for(shared / "demo_once")
    shutil.copytree(shared / "demo_once" / "demo", own, dirs_exist_ok=True)
    report = dataclasses.replace(
        made.report,
        page=own / made.report.page.name,
        tables=tuple(own / table.name for table in made.report.tables),
    )
    place = {"warehouse": own / made.warehouse.name, "costs": own / made.costs.name}
    return dataclasses.replace(made, **place, report=report), heard


@pytest.fixture(scope="session")
def made(_built: tuple[Demo, run_demo_once.Heard]) -> Demo:
    """The whole demo, built once."""
    return _built[0]


@pytest.fixture(scope="session")
def heard(_built: tuple[Demo, run_demo_once.Heard]) -> run_demo_once.Heard:
    """What every step of the demo said, by its label: (share done, text)."""
    return _built[1]


@pytest.fixture
def listener() -> run_demo_once.Listener:
    """One who hears a single calculation."""
    return run_demo_once.Listener()


@pytest.fixture
def demo_records(made: Demo) -> Iterator[Records]:
    """The demo company's warehouse, open."""
    with failstats.open_warehouse(made.warehouse) as records:
        yield records
