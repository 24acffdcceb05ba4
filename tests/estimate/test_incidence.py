"""Aalen-Johansen against a slow computation that shares nothing with it but the definition."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.incidence import aalen_johansen

ROUNDING = 1e-12
#: The jackknife slopes are taken by differences.
DIFFERENCES = 1e-6


def slow_incidence(entry, exit_, cause, weight=None):
    """Multiply the transition matrices of a working state and one state per cause."""
    weight = np.ones(len(exit_)) if weight is None else weight
    names = sorted(set(cause) - {""})
    state = np.eye(1 + len(names))
    out = {}
    for t in sorted(set(exit_)):
        at_risk = sum(w for e, x, w in zip(entry, exit_, weight, strict=True) if e < t <= x)
        step = np.eye(1 + len(names))
        for k, name in enumerate(names):
            died = sum(
                w for x, c, w in zip(exit_, cause, weight, strict=True) if x == t and c == name
            )
            step[0, 1 + k] = died / at_risk
            step[0, 0] -= died / at_risk
        state = state @ step
        out[t] = state[0, 1:].copy()
    return names, out


def company(seed, n=120, late=True):
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 6, n) * (rng.random(n) < 0.5) if late else np.zeros(n, dtype=int)
    exit_ = entry + rng.integers(1, 12, n)
    cause = np.array(["", "trip", "wear"])[rng.integers(0, 3, n)]
    return entry, exit_, cause


@pytest.mark.parametrize("seed", range(5))
def test_against_products_of_matrices(seed):
    entry, exit_, cause = company(seed)
    found = aalen_johansen(RiskTable.from_lives(entry, exit_, cause))
    names, slow = slow_incidence(entry, exit_, cause)
    assert list(found.causes) == names
    for t, shares in slow.items():
        ours = [float(found.share_at(t, cause=name)) for name in names]
        assert ours == pytest.approx(shares, rel=ROUNDING, abs=ROUNDING)


def test_variance_is_the_jackknife_over_lives():
    entry, exit_, cause = company(9, n=50, late=False)
    found = aalen_johansen(RiskTable.from_lives(entry, exit_, cause))
    step = 1e-6
    slopes = []
    for row in range(exit_.size):
        sides = []
        for sign in (1, -1):
            weight = np.ones(exit_.size)
            weight[row] += sign * step
            sides.append(slow_incidence(entry, exit_, cause, weight)[1])
        slopes.append({t: (sides[0][t] - sides[1][t]) / (2 * step) for t in sides[0]})
    for t in sorted(set(exit_)):
        jackknife = sum(one[t] ** 2 for one in slopes)
        ours = [float(found.std_error_at(t, cause=name)) ** 2 for name in found.causes]
        assert ours == pytest.approx(jackknife, rel=DIFFERENCES)


def test_variance_by_the_double_sum():
    # The same variance written as a sum over pairs (age counted, age of the step), with late entry.
    entry, exit_, cause = company(21)
    table = RiskTable.from_lives(entry, exit_, cause)
    found = aalen_johansen(table)
    d = found.failed.sum(axis=0).astype(float)
    n = found.at_risk.astype(float)
    before = np.concatenate([[1.0], found.survival[:-1]])
    for k in range(2):
        for j in range(n.size):
            total = 0.0
            for s in range(j + 1):
                left = found.share[k, j] - found.share[k, s]
                dk = float(found.failed[k, s])
                if n[s] > d[s]:
                    total += left**2 * d[s] / (n[s] * (n[s] - d[s]))
                total += before[s] ** 2 * dk * (n[s] - dk) / n[s] ** 3
                total -= 2 * left * before[s] * dk / n[s] ** 2
            assert found.variance[k, j] == pytest.approx(total, rel=1e-9, abs=1e-15)


def test_ties_between_causes_do_not_depend_on_row_order():
    exit_ = [3, 3, 3, 5]
    one = aalen_johansen(RiskTable.from_lives(0, exit_, ["trip", "wear", "", "wear"]))
    two = aalen_johansen(RiskTable.from_lives(0, exit_, ["wear", "", "trip", "wear"]))
    assert np.array_equal(one.share, two.share)
    assert np.array_equal(one.variance, two.variance)
    assert one.share_at(3, cause="trip") == one.share_at(3, cause="wear") == 0.25


def test_one_cause_has_kaplan_meiers_limits():
    rng = np.random.default_rng(5)
    table = RiskTable.from_lives(0, rng.integers(1, 40, 80), rng.random(80) < 0.6)
    low, high = kaplan_meier(table).interval()
    below, above = aalen_johansen(table).interval()
    assert below[0] == pytest.approx(1 - high, rel=1e-9, nan_ok=True)
    assert above[0] == pytest.approx(1 - low, rel=1e-9, nan_ok=True)


def test_times_lost_and_lived_add_up():
    entry, exit_, cause = company(2)
    table = RiskTable.from_lives(entry, exit_, cause)
    found = aalen_johansen(table)
    curve = kaplan_meier(table)
    from failstats.estimate.mean_life import restricted_mean

    lived = restricted_mean(curve, horizon=9).mean
    assert lived + sum(found.time_lost(9).values()) == pytest.approx(9, rel=ROUNDING)
    with pytest.raises(InputError, match="horizon must lie between"):
        found.time_lost(1000)


def test_edges():
    assert aalen_johansen(RiskTable.from_lives([], [], np.array([], dtype=str))).share.shape == (
        0,
        0,
    )
    none = aalen_johansen(RiskTable.from_lives(0, [2, 3], ["", ""]))
    assert none.survival.tolist() == [1, 1, 1]
    newborn = aalen_johansen(RiskTable.from_lives(0, [0, 4], ["wear", "trip"]))
    assert newborn.share_at(0, cause="wear") == 0.5
    assert newborn.share_at(99, cause="trip") == 0.5
    with pytest.raises(InputError, match="cause must be one of trip, wear, not rust"):
        newborn.share_at(3, cause="rust")
