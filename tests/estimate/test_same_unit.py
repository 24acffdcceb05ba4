"""Two parts of one unit against each other."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.errors import FitError, InputError
from failstats.estimate.same_unit import same_unit_ratios

# Two solvers at the maximum of one likelihood.
CONVERGED = 1e-8
# Simulated: four standard errors.
FOUR = 4.0


def failures(rows: int, *, ratio: float, seed: int) -> dict[str, np.ndarray]:
    """Exponential hazards multiplied by a use that both parts share and nobody recorded."""
    rng = np.random.default_rng(seed)
    exposed = rng.random(rows) < 0.4
    odds = 1.5 * np.where(exposed, ratio, 1.0)
    return {
        "is_part": rng.random(rows) < odds / (1 + odds),
        "exposure": exposed.astype(float),
        "part_age": rng.integers(1, 3000, rows).astype(float),
        "control_age": rng.integers(1, 3000, rows).astype(float),
        "cluster": rng.integers(0, rows, rows),
    }


def test_equal_ages_give_the_odds_ratio_of_the_table() -> None:
    """Cases by hand: 30 of 40 against 20 of 40, odds 3 against 1."""
    found = same_unit_ratios(
        [1] * 30 + [0] * 10 + [1] * 20 + [0] * 20, exposure=[1] * 40 + [0] * 40,
        part_age=[500.0] * 80, control_age=[500.0] * 80, cluster=np.arange(80),
    )  # fmt: skip
    assert np.exp(found.log_ratio[0]) == pytest.approx(3.0, rel=CONVERGED)
    # each its own cluster: the sandwich of a saturated model is Woolf's variance
    woolf = np.sqrt(1 / 30 + 1 / 10 + 1 / 20 + 1 / 20)
    assert found.standard_errors[0] == pytest.approx(woolf, rel=1e-6)
    assert found.failures == (50, 30)


def test_ratio_comes_back() -> None:
    rows = failures(6000, ratio=2.0, seed=1)
    found = same_unit_ratios(rows.pop("is_part"), **rows)
    assert abs(found.log_ratio[0] - np.log(2)) < FOUR * found.standard_errors[0]
    assert found.standard_errors[0] < 0.1


def test_order_of_failures_and_unit_of_age_are_irrelevant() -> None:
    rows = failures(400, ratio=1.5, seed=2)
    shuffled = np.random.default_rng(3).permutation(400)
    again = {name: column[shuffled] for name, column in rows.items()}
    again["part_age"] = again["part_age"] / 365.25
    one = same_unit_ratios(rows.pop("is_part"), **rows)
    two = same_unit_ratios(again.pop("is_part"), **again)
    assert two.log_ratio == pytest.approx(one.log_ratio, rel=1e-7)
    assert two.standard_errors == pytest.approx(one.standard_errors, rel=1e-6)


def test_a_state_with_failures_of_one_part_only_has_no_ratio() -> None:
    found = same_unit_ratios(
        [1] * 30 + [1, 0] * 30, exposure=[1] * 30 + [0] * 60, part_age=[9.0] * 90,
        control_age=[9.0] * 90, cluster=np.arange(90),
    )  # fmt: skip
    assert np.isnan(found.log_ratio[0])


def test_refusals() -> None:
    rows = failures(60, ratio=1.0, seed=4)
    with pytest.raises(FitError, match="20 failures of both parts, but has 60 and 0"):
        same_unit_ratios(np.ones(60), **{k: v for k, v in rows.items() if k != "is_part"})
    rows["part_age"][0] = 0
    with pytest.raises(InputError, match="must be above 0"):
        same_unit_ratios(rows.pop("is_part"), **rows)
