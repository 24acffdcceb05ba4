"""Units that differ: what a new one does, and whether replacements are worse or only selected."""

from __future__ import annotations

import importlib.util
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from failstats.answers.units_differ import _fitted, _replacements
from failstats.answers.units_differ_rows import UnitsDiffer, units_differ_lines
from failstats.demo import Demo

ROOT = Path(__file__).resolve().parents[2]
TRUTH = tomllib.loads((ROOT / "demo_warehouse" / "truth.toml").read_text("utf-8"))


def _world() -> ModuleType:
    path = ROOT / "tests" / "simulation" / "selection" / "units_world.py"
    spec = importlib.util.spec_from_file_location("units_world", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["units_world"] = module  # its dataclass looks itself up there
    spec.loader.exec_module(module)
    return module


def _lives(seed: int, **truth: object) -> pd.DataFrame:
    world = _world()
    told = world.UnitsTruth(**{"variance": 1.0, "units": 5000, **truth})
    return world.simulate(told, seed).rename(columns={"part": "law", "days": "exit"})


@pytest.mark.parametrize(
    ("later", "seed", "verdict"),
    [(1.0, 3, "only_selection"), (0.6, 4, "shorter"), (1.8, 5, "longer")],
)
def test_selection_is_told_from_worse_replacements(later: float, seed: int, verdict: str) -> None:
    shared = _fitted(_lives(seed, later=later))
    assert shared.found is not None
    mine = shared.lives[shared.lives["part"] == "coil"]
    found = _replacements(shared.found, mine, "coil", 0.95)
    assert found is not None
    assert found.ci[0] <= later <= found.ci[1]
    assert not found.pooled_ci[0] <= later <= found.pooled_ci[1]  # units weigh in
    assert found.verdict == verdict


def test_units_alike_are_said_to_be_and_no_figure_is_made_up() -> None:
    shared = _fitted(_lives(6, variance=0.0, units=2000))
    assert shared.found is None or shared.found.p_value > 0.05
    if shared.found is None:
        assert "no difference between units" in shared.reason


def test_the_demo_says_what_its_generator_was_told(made: Demo) -> None:
    rows = {row.part: row.units_differ for row in made.answers["lives"].results}
    assert rows["thermostat"] is None
    assert rows["cutout"] is None
    coil = rows["coil"]
    assert coil is not None
    low, high = coil.variance_ci
    assert low <= 1 / TRUTH["frailty"]["shape"] <= high
    # replaced parts live as long as first-fitted ones in the generator
    for row in rows.values():
        if row is not None and row.replacements is not None:
            assert row.replacements.ci[0] <= 1 <= row.replacements.ci[1]
            assert row.replacements.verdict in ("only_selection", "no_difference_shown")
    said = " ".join(made.answers["lives"].details())
    assert "Units differ: a gamma frailty" in said
    assert "replacements against first-fitted parts of the same unit" in " ".join(said.split())


def test_nothing_is_said_where_units_may_be_alike() -> None:
    none = dict.fromkeys(UnitsDiffer.__dataclass_fields__)
    row = UnitsDiffer(**{**none, "units": 9, "failures": 6, "label": "alike"})
    assert units_differ_lines([("coil", row), ("belt", None)]) == []


def test_new_unit_interval_is_that_of_small_steps() -> None:
    shared = _fitted(_lives(7, units=800))
    found = shared.found
    assert found is not None
    low, high = found.new_unit_interval(2000.0, law="coil first")
    names = ("coil first shape", "coil first scale", "variance")
    places = [found.peak.at(name) for name in names]

    def level(theta: np.ndarray) -> float:
        shape, scale, v = np.exp(theta[places])
        return float(np.log(np.log1p(v * (2000.0 / scale) ** shape) / v))

    slope = np.zeros(found.peak.theta.size)
    for j in places:
        step = np.zeros(slope.size)
        step[j] = 1e-6
        theta = np.array(found.peak.theta)
        slope[j] = (level(theta + step) - level(theta - step)) / 2e-6
    error = np.sqrt(slope @ found.peak.covariance @ slope)
    middle = level(np.array(found.peak.theta))
    hand = [np.exp(-np.exp(middle + side * 1.959964 * error)) for side in (1, -1)]
    np.testing.assert_allclose([low, high], hand, rtol=1e-5)
