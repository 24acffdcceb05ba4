"""Small helpers for loading a few rows and looking at what became of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from failstats.intake.load import load
from failstats.intake.result import LoadResult


@pytest.fixture
def warehouse(tmp_path: Path) -> Path:
    """Where the warehouse of a test will be."""
    return tmp_path / "w.duckdb"


@pytest.fixture
def ask(warehouse: Path) -> Callable[..., list[tuple[Any, ...]]]:
    """Run a query on the warehouse."""

    def run(query: str, *values: object) -> list[tuple[Any, ...]]:
        with duckdb.connect(str(warehouse), read_only=True) as connection:
            return connection.execute(query, list(values)).fetchall()

    return run


@pytest.fixture
def put(warehouse: Path, tmp_path: Path) -> Callable[..., LoadResult]:
    """Load files given as name=text (``units="…"`` makes units.csv), with load's own options."""
    count = 0

    def run(*, files: dict[str, str] | None = None, mapping: str | None = None,
            options: dict[str, Any] | None = None, **tables: str) -> LoadResult:  # fmt: skip
        nonlocal count
        count += 1
        folder = tmp_path / f"records_{count}"
        folder.mkdir()
        named = {f"{table}.csv": text for table, text in tables.items()} | (files or {})
        for name, text in named.items():
            (folder / name).write_text(text, encoding="utf-8")
        options = dict(options or {})
        if mapping is not None:
            options["mapping"] = tmp_path / f"map_{count}.toml"
            options["mapping"].write_text(mapping, encoding="utf-8")
        return load(warehouse, [folder], **options)

    return run
