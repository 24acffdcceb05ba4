"""Recurring failures: the mean cumulative function row by row, and trend tests."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.errors import FitError, InputError
from failstats.estimate.recurrence import mean_cumulative_difference, mean_cumulative_function
from failstats.estimate.recurrence_trend import (
    laplace_trend,
    power_law_process,
    power_law_trend,
    reversal_trend,
)

ROUNDING = 1e-12


def company(seed):
    """A few units, late joiners, same-day failures, some of no length."""
    rng = np.random.default_rng(seed)
    units = int(rng.integers(2, 9))
    entry = rng.integers(0, 4, units) * rng.integers(0, 2, units)
    exit_ = entry + rng.integers(0, 8, units)
    exit_[0] = entry[0] + 3
    owner, age = [0], [int(exit_[0])]
    for i in range(units):
        first = entry[i] + 1 if entry[i] > 0 else 0
        if exit_[i] >= max(first, entry[i] + (entry[i] > 0)):
            for _ in range(rng.integers(0, 5)):
                owner.append(i)
                age.append(int(rng.integers(first, exit_[i] + 1)))
    return owner, age, entry, exit_


@pytest.mark.parametrize("seed", range(40))
def test_mean_and_variance_unit_by_unit(seed):
    owner, age, entry, exit_ = company(seed)
    found = mean_cumulative_function(owner, event_age=age, unit_entry=entry, unit_exit=exit_)
    owner, age = np.array(owner), np.array(age)
    residual = np.zeros(exit_.size)
    mean = 0.0
    for j, t in enumerate(np.unique(age)):
        at_risk = ((entry < t) | ((entry == 0) & (t == 0))) & (exit_ >= t)
        at_risk &= (exit_ > entry) | (exit_ == 0)
        events = int((age == t).sum())
        own = np.array([((owner == i) & (age == t)).sum() for i in range(exit_.size)])
        mean += events / at_risk.sum()
        residual += at_risk * (own - events / at_risk.sum()) / at_risk.sum()
        assert found.at_risk[j] == at_risk.sum()
        assert found.mean[j] == pytest.approx(mean, rel=ROUNDING)
        assert found.variance[j] == pytest.approx((residual**2).sum(), rel=1e-9, abs=1e-13)


def test_one_failure_a_unit_is_nelson_aalen():
    from failstats.counts.risk_table import RiskTable
    from failstats.estimate.curves import nelson_aalen

    rng = np.random.default_rng(1)
    exits, failed = rng.integers(1, 20, 50), rng.random(50) < 0.6
    mcf = mean_cumulative_function(np.flatnonzero(failed), event_age=exits[failed], unit_exit=exits)
    hazard = nelson_aalen(RiskTable.from_lives(0, exits, failed))
    shown = hazard.cumulative_hazard[np.searchsorted(hazard.age, mcf.age)]
    assert mcf.mean == pytest.approx(shown, rel=ROUNDING)


def test_order_of_rows_and_of_units_does_not_matter():
    owner, age, exits = [0, 0, 2, 2, 2, 1], [5, 8, 1, 8, 16, 8], np.array([12, 16, 20])
    one = mean_cumulative_function(owner, event_age=age, unit_exit=exits)
    turn = np.array([2, 0, 1])  # unit u becomes unit turn[u]
    moved = np.empty(3)
    moved[turn] = exits
    mix = np.array([3, 5, 0, 2, 4, 1])
    two = mean_cumulative_function(
        turn[np.array(owner)][mix], event_age=np.array(age)[mix], unit_exit=moved
    )
    assert two.mean == pytest.approx(one.mean, rel=ROUNDING)
    assert two.variance == pytest.approx(one.variance, rel=ROUNDING)


def test_edges():
    none = mean_cumulative_function([], event_age=[], unit_exit=[5, 9])
    assert none.age.size == 0
    assert none.mean_at([0, 4, 9]).tolist() == [0, 0, 0]
    assert np.isnan(none.mean_at(10))
    newborn = mean_cumulative_function([0], event_age=[0], unit_exit=[5, 9])
    assert newborn.mean.tolist() == [0.5]
    alone = mean_cumulative_function([0, 0], event_age=[2, 2], unit_exit=[5])
    assert alone.mean.tolist() == [2]
    assert alone.variance.tolist() == [0]


def test_failures_outside_the_time_followed_are_refused():
    with pytest.raises(InputError, match=r"each failure must lie in \(entry, exit\]") as caught:
        mean_cumulative_function(
            [0, 1, 1], event_age=[3, 4, 11], unit_entry=[3, 0], unit_exit=[9, 9]
        )
    assert caught.value.rows == [0, 2]
    with pytest.raises(InputError, match="event_unit must be a row of unit_exit, 0 to 1"):
        mean_cumulative_function([2], event_age=[3], unit_exit=[9, 9])


def test_intervals_and_difference():
    one = mean_cumulative_function([0, 1, 1], event_age=[2, 3, 5], unit_exit=[6, 8, 9])
    low, high = one.interval()
    assert (low < one.mean).all()
    assert (one.mean < high).all()
    assert one.mean**2 == pytest.approx(low * high, rel=1e-9)
    two = mean_cumulative_function([0], event_age=[4], unit_exit=[7, 7])
    gap = mean_cumulative_difference(one, second=two)
    assert gap.age.tolist() == [2, 3, 4, 5]
    assert gap.difference == pytest.approx([1 / 3, 2 / 3, 2 / 3 - 1 / 2, 1 - 1 / 2])
    assert one.table().shape == (3, 7)


def test_laplace_pools_units():
    # Unit 0 over (0, 10], unit 1 over (5, 25]: by hand.
    found = laplace_trend([2, 9, 20], event_unit=[0, 0, 1], unit_entry=[0, 5], unit_exit=[10, 25])
    by_hand = ((2 - 5) + (9 - 5) + (20 - 15)) / np.sqrt((100 + 100 + 400) / 12)
    assert found.statistic == pytest.approx(by_hand, rel=ROUNDING)
    assert found.p_more < 0.5 < found.p_fewer
    assert found.p_value == pytest.approx(2 * found.p_more)


def test_reversals_are_counted_among_all_orders():
    # Gaps 1, 2, 3: all three pairs rise, one order of six.
    found = reversal_trend([1, 3, 6])
    assert found.statistic == 3
    assert found.p_fewer == pytest.approx(1 / 6)
    assert found.p_more == pytest.approx(1)
    level = reversal_trend([2, 4, 6])
    assert level.statistic == 0
    assert (level.p_fewer, level.p_more) == pytest.approx((1, 1))


def test_trend_refusals():
    with pytest.raises(FitError, match="a trend needs failures"):
        laplace_trend([], unit_exit=9)
    with pytest.raises(InputError, match="event_unit must say which unit"):
        laplace_trend([3], unit_exit=[9, 9])
    with pytest.raises(InputError, match=r"\(entry, exit\]"):
        power_law_trend([10], unit_exit=9)
    with pytest.raises(FitError, match="3 failures or more"):
        power_law_process([1, 2], unit_exit=9)
    with pytest.raises(InputError, match="ascending"):
        reversal_trend([3, 2])
