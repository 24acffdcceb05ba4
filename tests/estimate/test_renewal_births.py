"""Renewal births: closed forms, the grid's error, the truth of one company, what is refused."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import gamma

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulation" / "selection"))

import renewal_world

from failstats.counts.joint_table import MONTH_DAYS, JointTable
from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.life_models import fit
from failstats.estimate.renewal_births import (
    forward_survival,
    renewal_births,
    renewal_increments,
)

YEAR = 365.25
# midpoint rule: the error falls with the square of the step, 1/100 of a mean life here
MIDPOINT = 3e-5
# monthly against half-monthly cells, in the scale and the shape (weekly ones, tried once: 0.03 %)
MONTH_ERROR = 2e-3
# one company of 1,500 units: about 4 standard errors of 2.8 %
ONE_COMPANY = 0.12
SURE = 0.999  # one company is no test of coverage; beyond this something is wrong


def test_exponential_lives_do_not_age() -> None:
    """What is left of an exponential life is exponential, however old the unit is."""
    rate = 1 / 1000

    def survival(t: np.ndarray) -> np.ndarray:
        return np.exp(-rate * t)

    found = forward_survival(
        survival, np.array([0, 40, 400]), forward=np.array([0, 30, 100]), step=10.0
    )
    expected = np.exp(-rate * 10.0 * np.array([0, 30, 100]))
    assert found == pytest.approx(np.tile(expected, (3, 1)), rel=MIDPOINT)


def test_other_replacements_leave_an_exponential_life_alone() -> None:
    rate, other = 1 / 1000, 1 / 700

    def survival(t: np.ndarray) -> np.ndarray:
        return np.exp(-rate * t)

    found = forward_survival(
        survival, np.array([0, 400]), forward=np.array([0, 100]), step=10.0, other_rate=other
    )
    assert found == pytest.approx(np.tile(np.exp([0, -1.0]), (2, 1)), rel=4 * MIDPOINT)


def test_something_is_in_the_unit_at_any_age() -> None:
    """P(excess > 0 | a) is 1."""

    def survival(t: np.ndarray) -> np.ndarray:
        return np.exp(-((t / 1500) ** 2.2))

    ages = np.arange(0, 500, 7)
    found = forward_survival(survival, ages, forward=np.array([0]), step=15.0)
    assert found[:, 0] == pytest.approx(np.ones(ages.size), abs=MIDPOINT)


def test_an_old_unit_has_the_stationary_law() -> None:
    """Far from installation P(excess > y) is the integral of S from y, over the mean life."""
    shape, scale, y = 1.8, 1000.0, 400.0

    def survival(t: np.ndarray) -> np.ndarray:
        return np.exp(-((t / scale) ** shape))

    found = forward_survival(survival, np.array([1200]), forward=np.array([40]), step=10.0)
    rest = quad(lambda t: np.exp(-((t / scale) ** shape)), y, np.inf)[0]
    assert found[0, 0] == pytest.approx(rest / (scale * gamma(1 + 1 / shape)), rel=4 * MIDPOINT)


def test_the_increments_hold_for_a_falling_hazard() -> None:
    """Shape 0.6 has no density at 0. Halving the step moves M(t) by less than the tolerance."""

    def gone(t: np.ndarray) -> np.ndarray:
        return -np.expm1(-((t / 1000) ** 0.6))

    def total(step: float) -> float:
        n = int(2000 / step)
        k = np.arange(n)
        return float(
            renewal_increments(gone((k + 1) * step), gone_between=gone((k + 0.5) * step)).sum()
        )

    assert total(10.0) == pytest.approx(total(2.5), rel=2e-3)


def _tables(
    truth: renewal_world.RenewalTruth, seed: int, step: float = MONTH_DAYS
) -> tuple[JointTable, RiskTable, RiskTable, float]:
    lives = renewal_world.simulate(truth, seed)
    old, new = lives[~lives["known"]], lives[lives["known"]]
    joint = JointTable.from_lives(
        old["entry"], forward=old["forward"], failed=old["failed"], given=old["given"], step=step
    )
    known = RiskTable.from_lives(0, new["forward"].to_numpy(), new["failed"].to_numpy())
    assumed = RiskTable.from_lives(
        lives["assumed_entry"].to_numpy(),
        lives["assumed_exit"].to_numpy(),
        lives["failed"].to_numpy(),
    )
    return joint, known, assumed, float(lives["other"].sum())


@pytest.mark.parametrize("call_out", [False, True])
def test_the_truth_comes_back(call_out: bool) -> None:
    truth = renewal_world.RenewalTruth(call_out=call_out)
    joint, known, assumed, other = _tables(truth, 11)
    found = renewal_births(joint, known=known, other_replacements=other)
    scale = truth.life[1] * YEAR
    assert found.parameters["scale"] == pytest.approx(scale, rel=ONE_COMPANY)
    low, high = found.interval("scale", SURE, method="normal")
    assert low < scale < high
    ours, alone = found.life.interval()["scale"], fit(known).interval()["scale"]
    assert np.log(ours[1] / ours[0]) < 0.7 * np.log(alone[1] / alone[0])
    assert found.life.failures == known.failures + joint.failures
    if not call_out:
        assert fit(assumed).parameters["scale"] > found.parameters["scale"]


def test_the_grid_of_months_is_fine_enough() -> None:
    truth = renewal_world.RenewalTruth()
    monthly, known, _, _ = _tables(truth, 5)
    halved, _, _, _ = _tables(truth, 5, step=MONTH_DAYS / 2)
    coarse, fine = (renewal_births(one, known=known).parameters for one in (monthly, halved))
    assert coarse["scale"] == pytest.approx(fine["scale"], rel=MONTH_ERROR)
    assert coarse["shape"] == pytest.approx(fine["shape"], rel=MONTH_ERROR)


def test_pair_by_pair_is_the_whole_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    """The two ways to compute the same likelihood, chosen by size alone."""
    truth = renewal_world.RenewalTruth(units=120, oldest=4, span=3, call_out=True, life=(1.8, 3.0))
    joint, known, _, other = _tables(truth, 8)
    heights = []
    for cost in (0.0, np.inf):
        monkeypatch.setattr("failstats.estimate.renewal_births.PAIR_COST", cost)
        monkeypatch.setattr("failstats.estimate.renewal_births.PAIRS", 500)
        heights.append(renewal_births(joint, known=known, other_replacements=other).peak)
    assert heights[0].log_likelihood == pytest.approx(heights[1].log_likelihood, rel=1e-12)
    np.testing.assert_allclose(heights[0].theta, heights[1].theta, atol=1e-7)


def test_profile_and_normal_intervals_agree() -> None:
    joint, known, _, _ = _tables(renewal_world.RenewalTruth(oldest=5, span=4), 2)
    found = renewal_births(joint, known=known)
    assert found.interval("scale") == pytest.approx(
        found.interval("scale", method="normal"), rel=0.05
    )


def test_many_other_replacements_are_refused() -> None:
    joint, known, _, _ = _tables(renewal_world.RenewalTruth(units=600), 2)
    failures = joint.failures + known.failures
    with pytest.raises(FitError, match="were no failures; at most 10% are allowed"):
        renewal_births(joint, known=known, other_replacements=0.12 * failures)
    renewal_births(joint, known=known, other_replacements=0.1 * failures)


def test_few_failures_are_refused() -> None:
    joint = JointTable.from_lives([100.0], forward=[200.0], failed=[True])
    with pytest.raises(FitError, match="fewer than 5 failed"):
        renewal_births(joint, known=RiskTable.from_lives(0, [100.0], [True]))


# --- the table ---------------------------------------------------------------------------------


def test_cells_at_their_edges() -> None:
    """Given -> expected: exactly 0 is a cell of its own, an edge belongs to the later cell."""
    table = JointTable.from_lives(
        [0, 29, 30, 59], forward=[30, 29, 60, 89], failed=[False] * 4, step=30.0
    )
    assert table.entry.tolist() == [-1, 0, 1]
    assert table.forward.tolist() == [1, 0, 2]
    assert table.count.tolist() == [1, 1, 2]


def test_lives_without_time_at_risk_are_dropped() -> None:
    """The part whose failure was the first visit; a failure on the day of joining counts."""
    table = JointTable.from_lives(
        [50, 50, 0], forward=[80, 0, 0], failed=[True, False, True], given=[80, 0, 0]
    )
    assert (table.dropped, table.lives, table.failures) == (2, 1, 1)


def test_a_wait_for_the_first_visit_is_conditioned_on() -> None:
    table = JointTable.from_lives(
        [50, 50], forward=[200, 300], failed=[True, False], given=[0, 100], step=50.0
    )
    assert table.given_forward.tolist() == [2]
    assert table.given_count.tolist() == [1]
    assert table.exposure == pytest.approx(50 * (4.5 + 6.5 - 2.5))


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"forward": [5.0], "failed": [True], "given": [9.0]}, "forward no less than given"),
        ({"forward": [5.0, 6.0], "failed": [True]}, "equally long"),
        ({"forward": [5.0], "failed": [True], "step": 0.0}, "above 0 days"),
    ],
)
def test_lives_that_cannot_be(columns, said) -> None:
    with pytest.raises(InputError, match=said):
        JointTable.from_lives([10.0], **columns)
