"""The demo company's records, whole and as partitions of units."""

from __future__ import annotations

from pathlib import Path

import pytest

import failstats
from failstats.counts.partition_files import split
from failstats.demo import demo_folder

PARTS = 4


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's warehouse, loaded and nothing asked of it yet."""
    path = tmp_path_factory.mktemp("whole") / "demo.duckdb"
    failstats.load(path, [demo_folder() / "data"], mapping=demo_folder() / "mapping.toml")
    return path


@pytest.fixture(scope="module")
def parted(whole: Path) -> Path:
    """The same as a folder of partitions."""
    folder = whole.parent / "parts"
    split(whole, folder, parts=PARTS)
    return folder
