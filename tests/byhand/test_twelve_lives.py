"""Twelve lives of a belt, worked with a pencil: every number is a fraction one can check.

    life  entry  exit  ends          life  entry  exit  ends
      1     0     2    wear            7     0     7    wear
      2     0     3    left            8     4     7    trip
      3     0     3    wear            9     4     8    left
      4     0     5    trip           10     5     9    wear
      5     0     5    wear           11     0     9    left
      6     2     5    wear           12     6     9    wear

At risk at t: entry < t <= exit.

    t   at risk                          n   wear  trip  left
    2   1 2 3 4 5 7 11                   7    1     0     0
    3   2 3 4 5 6 7 11                   7    1     0     1
    5   4 5 6 7 8 9 11                   7    2     1     0
    7   7 8 9 10 11 12                   6    1     1     0
    8   9 10 11 12                       4    0     0     1
    9   10 11 12                         3    2     0     1
"""

from __future__ import annotations

from fractions import Fraction as F

import pytest

from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_models import fit
from failstats.estimate.mean_life import life_left, restricted_mean

ENTRY = [0, 0, 0, 0, 0, 2, 0, 4, 4, 5, 0, 6]
EXIT = [2, 3, 3, 5, 5, 5, 7, 7, 8, 9, 9, 9]
CAUSE = ["wear", "", "wear", "trip", "wear", "wear", "wear", "trip", "", "wear", "", "wear"]

#: Fractions turned into floating point: rounding only.
ROUNDING = 1e-14


@pytest.fixture
def belts() -> RiskTable:
    return RiskTable.from_lives(ENTRY, EXIT, CAUSE)


def close(found, fractions):
    assert list(found) == pytest.approx([float(x) for x in fractions], rel=ROUNDING, abs=ROUNDING)


def at(table, ages):
    return [int(n) for n in table.at_risk_at(ages)]


def test_who_is_at_risk(belts):
    assert at(belts, [2, 3, 5, 7, 8, 9]) == [7, 7, 7, 6, 4, 3]
    assert (belts.lives, belts.failures, belts.dropped) == (12, 9, 0)
    assert belts.exposure == sum(EXIT) - sum(ENTRY) == 51
    assert belts.age.tolist() == [0, 2, 3, 4, 5, 6, 7, 8, 9]
    assert belts.failed["trip"].tolist() == [0, 0, 0, 0, 1, 0, 1, 0, 0]


def rows(curve):
    return [list(curve.age).index(t) for t in (2, 3, 5, 7, 8, 9)]


def test_kaplan_meier(belts):
    # 6/7, x 6/7, x 4/7, x 4/6, x 1, x 1/3
    survival = [F(6, 7), F(36, 49), F(144, 343), F(96, 343), F(96, 343), F(32, 343)]
    curve = kaplan_meier(belts)
    close(curve.survival[rows(curve)], survival)
    # d / (n (n - d)): 1/42, 1/42, 3/28, 2/24, 0, 2/3
    sums = [F(1, 42), F(1, 21), F(13, 84), F(5, 21), F(5, 21), F(19, 21)]
    close(curve.relative_variance[rows(curve)], sums)
    assert curve.median() == 5
    assert curve.conditioned_on == 0


def test_nelson_aalen(belts):
    hazard = [F(1, 7), F(2, 7), F(5, 7), F(22, 21), F(22, 21), F(36, 21)]
    curve = nelson_aalen(belts)
    close(curve.cumulative_hazard[rows(curve)], hazard)
    # d / n**2: 1/49, 1/49, 3/49, 2/36, 0, 2/9
    variance = [F(1, 49), F(2, 49), F(5, 49), F(5, 49) + F(1, 18)]
    variance += [variance[-1], variance[-1] + F(2, 9)]
    close(curve.variance[rows(curve)], variance)


def test_aalen_johansen(belts):
    # Just before t: 1, 6/7, 36/49, 144/343, 96/343, 96/343, times d / n.
    wear_steps = [F(1, 7), F(6, 49), F(72, 343), F(24, 343), F(0), F(64, 343)]
    trip_steps = [F(0), F(0), F(36, 343), F(24, 343), F(0), F(0)]
    curve = aalen_johansen(belts)
    wear, trip = curve.causes.index("wear"), curve.causes.index("trip")
    close(curve.share[wear][rows(curve)], [sum(wear_steps[: i + 1]) for i in range(6)])
    close(curve.share[trip][rows(curve)], [sum(trip_steps[: i + 1]) for i in range(6)])
    assert curve.share[:, -1].sum() + curve.survival[-1] == pytest.approx(1, rel=ROUNDING)


def test_variance_of_an_incidence(belts):
    # Trip by age 5, its first step: only the steps at 2, 3 and 5 matter.
    # F = 36/343. At 5: before**2 d (n - d) / n**3 = (36/49)**2 * 1 * 6 / 343, with F(t) - F(s) = 0.
    # At 2 and 3: F**2 d / (n (n - d)) = (36/343)**2 (1/42 + 1/42).
    by_hand = F(36, 49) ** 2 * F(6, 343) + F(36, 343) ** 2 * F(1, 21)
    curve = aalen_johansen(belts)
    trip = curve.causes.index("trip")
    found = curve.variance[trip][list(curve.age).index(5)]
    assert found == pytest.approx(float(by_hand), rel=1e-13)


def test_restricted_mean(belts):
    # Area to 8: 2 x 1 + 1 x 6/7 + 2 x 36/49 + 2 x 144/343 + 1 x 96/343
    area = 2 + F(6, 7) + F(72, 49) + F(288, 343) + F(96, 343)
    # Right of 2, 3, 5, 7: each squared times d / (n (n - d)).
    right = [area - 2, F(72, 49) + F(288, 343) + F(96, 343), F(384, 343), F(96, 343)]
    weights = [F(1, 42), F(1, 42), F(3, 28), F(2, 24)]
    variance = sum(a * a * w for a, w in zip(right, weights, strict=True))
    found = restricted_mean(kaplan_meier(belts), horizon=8)
    assert found.mean == pytest.approx(float(area), rel=ROUNDING)
    assert found.std_error**2 == pytest.approx(float(variance), rel=1e-13)


def test_life_left_at_four(belts):
    # From 4 on: 4/7 at 5, 8/21 at 7, 8/63 at 9.
    left = life_left(belts, age=4, horizon=9)
    assert left.median == 3  # age 7
    # 1 x 1 + 2 x 4/7 + 2 x 8/21
    assert left.mean.mean == pytest.approx(float(1 + F(8, 7) + F(16, 21)), rel=ROUNDING)


def test_exponential_rate(belts):
    # 9 failures in 51 days.
    found = fit(belts, model="exponential")
    assert found.parameters["rate"] == pytest.approx(float(F(9, 51)), rel=ROUNDING)
    assert found.std_errors["rate"] ** 2 == pytest.approx(float(F(1, 9)), rel=ROUNDING)
