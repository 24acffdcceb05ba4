"""Newsvendor, loss tables and base stock against the values of SOURCE.md."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.estimate.stock_levels import (
    base_stock,
    compound_poisson,
    demand_loss,
    least_stock,
    negative_binomial_demand,
    newsvendor,
    newsvendor_normal,
    normal_loss,
    poisson_demand,
    poisson_loss,
)

FOUR_DIGITS = 5e-5  # half a unit of the last printed digit
FIVE_DIGITS = 5e-6
SIX_DIGITS = 5e-7
EXACT = 1e-12


def test_poisson_loss_table():
    # seen: course table, mean 1.25
    np.testing.assert_allclose(
        poisson_loss([0, 1, 2, 3, 4], mean=1.25),
        [1.25, 0.53650, 0.18114, 0.04961, 0.01134],
        atol=FIVE_DIGITS,
        rtol=0,
    )


@pytest.mark.parametrize(
    ("mean", "owed"),
    [  # computed
        (0.5, [0.5, 0.106531, 0.016327, 0.001939]),
        (1.0, [1.0, 0.367879, 0.103638, 0.023337, 0.004349]),
        (2.0, [2.0, 1.135335, 0.541341, 0.218018, 0.075141]),
        (4.0, [4.0, 3.018316, 2.109894, 1.347997, 0.781467]),
    ],
)
def test_expected_back_orders(mean, owed):
    np.testing.assert_allclose(
        poisson_loss(np.arange(len(owed)), mean=mean), owed, atol=SIX_DIGITS, rtol=0
    )


def test_one_order_with_a_charge_for_leftovers():
    # seen: price 650, cost 480, 25 to be rid of a unit, demand 10 to 15 equally likely
    best = newsvendor([1 / 6] * 6, underage=650 - 480, overage=480 + 25, first=10)
    assert best.ratio == pytest.approx(170 / 675, abs=EXACT)
    assert best.quantity == 11


def test_newsstand():
    # mean and sd seen, the rest memory
    best = newsvendor_normal(mean=11.73, sd=4.74, underage=0.50, overage=0.15)
    assert best.ratio == pytest.approx(0.7692, abs=FOUR_DIGITS)
    assert best.quantity == pytest.approx(15.22, abs=5e-3)
    assert round(best.quantity) == 15


def test_normal_and_poisson_of_fifty():
    # memory
    normal = newsvendor_normal(mean=50, sd=8, underage=0.70, overage=0.18)
    assert normal.quantity == pytest.approx(56.603956, abs=SIX_DIGITS)
    assert normal.cost == pytest.approx(1.997605, abs=SIX_DIGITS)
    short = float(normal_loss(normal.quantity, mean=50, sd=8))
    held = normal.quantity - 50 + short
    assert 0.70 * short + 0.18 * held == pytest.approx(normal.cost, abs=1e-9)
    counted = newsvendor(poisson_demand(50), underage=0.70, overage=0.18)
    assert counted.quantity == 56
    assert counted.cost == pytest.approx(1.797235, abs=SIX_DIGITS)


def test_base_stock():
    # computed
    five = base_stock(poisson_demand(2.4), stock=5)
    assert five.ready_rate == pytest.approx(0.964327, abs=SIX_DIGITS)
    assert five.fill_rate == pytest.approx(0.904131, abs=SIX_DIGITS)
    assert five.back_orders == pytest.approx(0.051722, abs=SIX_DIGITS)
    best = base_stock(poisson_demand(2.4), holding=1.0, shortage=9.0)
    assert best.stock == 4
    assert best.cost == pytest.approx(3.075907, abs=SIX_DIGITS)


def test_negative_binomial():
    # computed: r = 2, p = .5, so mean 2
    demand = negative_binomial_demand(2.0, size=2.0)
    np.testing.assert_allclose(
        demand_loss(demand, stock=[0, 1, 2, 3, 4]), [2, 1.25, 0.75, 0.4375, 0.25], atol=1e-9
    )
    assert least_stock(demand, service=0.95) == 6
    assert least_stock(poisson_demand(2.0), service=0.95) == 5


def test_compound_poisson():
    # computed by Panjer's recursion: one customer expected, k units with chance .5 ** k
    demand = compound_poisson(1.0, sizes=0.5 ** np.arange(1, 61))
    units = np.arange(demand.size)
    mean = units @ demand
    assert mean == pytest.approx(2.0, abs=1e-9)
    assert units**2 @ demand - mean**2 == pytest.approx(6.0, abs=1e-8)
    assert demand_loss(demand, stock=3) == pytest.approx(0.609473, abs=SIX_DIGITS)
    assert poisson_loss(3, mean=2.0) == pytest.approx(0.218018, abs=SIX_DIGITS)
