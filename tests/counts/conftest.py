"""The demo company's records, whole and as partitions of units."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

import failstats
from failstats.counts.partition_files import split
from failstats.demo import demo_folder

PARTS = 4
# Sums over rows are added up set by set: a fit may differ in its last digits, a count may not.
FITS_AGREE = 1e-12


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


def _different(one: Any, many: Any, path: str = "") -> list[str]:
    if isinstance(one, dict):
        assert set(one) == set(many), path
        return [d for key in one for d in _different(one[key], many[key], f"{path}/{key}")]
    if isinstance(one, list):
        assert len(one) == len(many), path
        return [
            d
            for i, pair in enumerate(zip(one, many, strict=True))
            for d in _different(*pair, f"{path}/{i}")
        ]
    if isinstance(one, float) and isinstance(many, float):
        same = math.isclose(one, many, rel_tol=FITS_AGREE, abs_tol=FITS_AGREE)
        return [] if same else [f"{path}: {one} or {many}"]
    return [] if one == many else [f"{path}: {one} or {many}"]


@pytest.fixture(scope="session")
def differences() -> Any:
    """(one, many) -> where two answers, as to_dict gives them, differ."""
    return _different
