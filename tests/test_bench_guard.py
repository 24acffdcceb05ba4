"""The guard of the benchmarks can fail: where a figure is worse than half of its floor."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

FLOORS = """
[[made]]
size = 10
what = "ours / scan"
at_most = 4.0

[[made]]
size = 10
what = "peer / ours"
at_least = 100.0
"""


@pytest.fixture
def measure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The module of the benchmarks, reading made-up floors."""
    path = Path(__file__).parent / "bench" / "measure.py"
    spec = importlib.util.spec_from_file_location("bench_measure", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "bench_measure", module)
    spec.loader.exec_module(module)
    (tmp_path / "floors.toml").write_text(FLOORS)
    monkeypatch.setattr(module, "HERE", tmp_path)
    return module


@pytest.mark.parametrize(
    ("what", "value", "fails"),
    [
        ("ours / scan", 3.0, False),
        ("ours / scan", 7.9, False),  # misses the floor, not by half
        ("ours / scan", 8.1, True),
        ("peer / ours", 120.0, False),
        ("peer / ours", 51.0, False),
        ("peer / ours", 49.0, True),
    ],
)
def test_worse_than_half_of_a_floor_fails(
    measure: ModuleType, what: str, value: float, fails: bool
) -> None:
    options = measure.parser(None).parse_args(["--guard"])
    bench = measure.Bench("made", Path("program.py"), options, {})
    bench.note(10, what, value, "x")
    if fails:
        with pytest.raises(SystemExit, match="worse than half"):
            bench.finish()
    else:
        bench.finish()


def test_a_guard_that_measures_nothing_fails(measure: ModuleType) -> None:
    options = measure.parser(None).parse_args(["--guard"])
    bench = measure.Bench("made", Path("program.py"), options, {})
    bench.note(10, "something else", 1.0, "s")
    with pytest.raises(SystemExit, match="no floor"):
        bench.finish()
