"""Stock levels: hand values, simulation, edges and bad input."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.errors import InputError
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

STANDARD_ERRORS = 4  # of the simulation
TABLE = 1e-9  # tables are cut where less than 1e-15 remains


def test_loss_by_hand():
    # 0, 1 or 3 units, each with chance 1/3: beyond 1 only the 3 counts, by 2
    demand = [1 / 3, 1 / 3, 0, 1 / 3]
    np.testing.assert_allclose(
        demand_loss(demand, stock=[0, 1, 2, 3, 9]), [4 / 3, 2 / 3, 1 / 3, 0, 0], atol=1e-12
    )


def test_loss_at_zero_is_the_mean_and_poisson_matches_its_formula():
    for mean in (0.0, 0.3, 4.0, 60.0):
        demand = poisson_demand(mean)
        below = np.cumsum(demand)
        for stock in (0, 1, 3, 50):
            at_least = 1 - (below[stock - 1] if stock - 1 < below.size else 1) if stock else 1.0
            one_less = 1 - (below[stock - 2] if stock - 2 < below.size else 1) if stock > 1 else 1.0
            expected = mean * one_less - stock * at_least
            assert poisson_loss(stock, mean=mean) == pytest.approx(expected, abs=TABLE)
    assert demand_loss(negative_binomial_demand(3.0, size=0.4), stock=0) == pytest.approx(3.0)


def test_negative_binomial_has_the_stated_variance():
    demand = negative_binomial_demand(3.0, size=1.5)
    units = np.arange(demand.size)
    assert demand.sum() == pytest.approx(1.0, abs=TABLE)
    assert units @ demand == pytest.approx(3.0, abs=TABLE)
    assert units**2 @ demand - 9.0 == pytest.approx(3.0 + 9.0 / 1.5, abs=1e-7)


def test_compound_poisson_of_single_units_is_poisson():
    demand = compound_poisson(4.0, sizes=[1.0])
    plain = poisson_demand(4.0)
    size = min(demand.size, plain.size)
    np.testing.assert_allclose(demand[:size], plain[:size], atol=1e-13)
    assert compound_poisson(0.0, sizes=[1.0]).tolist() == [1.0]


def test_large_compound_rate_keeps_mean_and_variance():
    demand = compound_poisson(900.0, sizes=[0.5, 0.0, 0.5])
    units = np.arange(demand.size)
    mean = units @ demand
    assert mean == pytest.approx(1800.0, rel=1e-9)
    assert units**2 @ demand - mean**2 == pytest.approx(900 * 5.0, rel=1e-6)


def test_compound_poisson_against_simulation():
    rng = np.random.default_rng(51)
    customers = rng.poisson(1.5, 200_000)
    drawn = np.array([rng.multinomial(n, [0.5, 0.3, 0.2]) @ [1, 2, 3] for n in customers[:40_000]])
    beyond = np.maximum(drawn - 4, 0)
    expected = demand_loss(compound_poisson(1.5, sizes=[0.5, 0.3, 0.2]), stock=4)
    error = beyond.std() / np.sqrt(drawn.size)
    assert abs(beyond.mean() - expected) < STANDARD_ERRORS * error


def test_newsvendor_is_the_cheapest_of_all_quantities():
    rng = np.random.default_rng(52)
    for _ in range(40):
        demand = rng.dirichlet(np.ones(9))
        under, over = rng.uniform(0.1, 5, 2)
        units = np.arange(9)
        costs = [
            under * np.maximum(units - q, 0) @ demand + over * np.maximum(q - units, 0) @ demand
            for q in units
        ]
        best = newsvendor(demand, underage=under, overage=over)
        assert best.quantity == np.argmin(costs)
        assert best.cost == pytest.approx(min(costs))


def test_normal_cost_is_short_and_left_units_together():
    best = newsvendor_normal(mean=20.0, sd=3.0, underage=2.0, overage=0.5)
    short = float(normal_loss(best.quantity, mean=20.0, sd=3.0))
    left = best.quantity - 20.0 + short
    assert best.cost == pytest.approx(2.0 * short + 0.5 * left)


def test_base_stock_against_simulated_lead_times():
    # one for one, demand Poisson 2 a week, lead time 1.2 weeks: what is owed at a random moment
    rng = np.random.default_rng(53)
    wanted = rng.poisson(2.4, 200_000)
    five = base_stock(poisson_demand(2.4), stock=5)
    owed = np.maximum(wanted - 5, 0)
    assert abs(owed.mean() - five.back_orders) < STANDARD_ERRORS * owed.std() / np.sqrt(2e5)
    assert five.on_hand == pytest.approx(5 - 2.4 + five.back_orders)
    ready = np.mean(wanted <= 5)
    assert abs(ready - five.ready_rate) < STANDARD_ERRORS * np.sqrt(0.0344 / 2e5)
    empty = base_stock(poisson_demand(2.4), stock=0)
    assert empty.fill_rate == 0.0 and empty.back_orders == pytest.approx(2.4)


def test_no_demand_needs_no_stock():
    assert least_stock(poisson_demand(0.0), service=0.99) == 0
    assert base_stock(poisson_demand(0.0), holding=1.0, shortage=9.0).stock == 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: poisson_demand(-1.0), "mean must be at least 0"),
        (lambda: negative_binomial_demand(1.0, size=0.0), "size must be above 0"),
        (lambda: compound_poisson(1.0, sizes=[0.5]), "sizes must sum to 1"),
        (lambda: demand_loss([0.5, 0.6], stock=1), "demand must sum to 1"),
        (lambda: demand_loss([1.0], stock=-1), "at least 0"),
        (lambda: demand_loss([1.0], stock=0.5), "whole numbers"),
        (lambda: least_stock([1.0], service=1.0), "below 1"),
        (lambda: newsvendor([1.0], underage=0.0, overage=0.0), "above 0"),
        (lambda: newsvendor_normal(mean=1, sd=0, underage=1, overage=1), "sd must be above 0"),
        (lambda: base_stock([1.0]), "needs both holding and shortage"),
        (lambda: negative_binomial_demand(1e9, size=0.1), "larger units"),
    ],
)
def test_bad_input_is_refused_with_a_reason(call, words):
    with pytest.raises(InputError, match=words):
        call()
