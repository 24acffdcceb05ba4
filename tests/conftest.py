"""What most tests start from: a few rows as a warehouse, or the demo company with its answers."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import nullcontext
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
from failstats.demo import Demo, demo  # noqa: E402
from failstats.records import Records  # noqa: E402

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


class Listener:
    """Hears what is being done and how far it is, as a step on a terminal does."""

    def __init__(self) -> None:
        self.span = (0.0, 1.0)
        self.said: list[tuple[float, str]] = []

    def __call__(self, doing: str) -> None:
        self.said.append((self.span[0], doing))

    def begin(self, low: float, high: float, *, place: str) -> None:
        assert re.fullmatch(r"[1-9]\d* of [1-9]\d*", place)
        self.span = (low, high)

    def shares(self) -> list[float]:
        """What was said to be done, as it went on."""
        return [share for share, _ in self.said]


@pytest.fixture
def listener() -> Listener:
    """One who hears a single calculation."""
    return Listener()


@pytest.fixture(scope="session")
def heard() -> dict[str, Listener]:
    """What every step of the demo said, by its label; filled by `made`."""
    return {}


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory, heard: dict[str, Listener]) -> Demo:
    """The whole demo, built once."""

    def step(label: str) -> nullcontext[Listener]:
        heard[label] = Listener()
        return nullcontext(heard[label])

    return demo(tmp_path_factory.mktemp("demo"), step=step)


@pytest.fixture
def demo_records(made: Demo) -> Iterator[Records]:
    """The demo company's warehouse, open."""
    with failstats.open_warehouse(made.warehouse) as records:
        yield records
