"""Replacement by age, by block, of two at once, and cleaning against the values of SOURCE.md."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import gamma, norm

from failstats.estimate.cleaning import linear_interval
from failstats.estimate.replacement import (
    age_replacement_curve,
    age_replacement_weibull,
    block_replacement,
    renewal_function,
)
from failstats.estimate.shared_visit import (
    break_even_price_weibull,
    pair_costs_weibull,
)

FOUR_DIGITS = 5e-5  # half a unit of the last printed digit
THREE_DIGITS = 5e-4
SIX_DIGITS = 5e-7
# the trapezoid rule of the renewal function at the spacing used here; the error falls with its
# square (1e-6 in M at .005, seen against the closed form below)
GRID = 2e-5
# the printed block costs come from a weekly recursion, not from the continuous renewal function;
# at 4 weeks the two differ by 6.5e-5
WEEKLY = 1e-4


@pytest.mark.parametrize(
    ("shape", "failure_cost", "age", "relative"),
    [  # computed
        (1.5, 2, 2.1746, 0.998),
        (1.5, 3, 1.1571, 0.971),
        (1.5, 5, 0.6755, 0.890),
        (1.5, 10, 0.3781, 0.749),
        (1.5, 20, 0.2261, 0.612),
        (2, 2, 1.0908, 0.967),
        (2, 3, 0.7379, 0.872),
        (2, 5, 0.5107, 0.724),
        (2, 10, 0.3365, 0.537),
        (2, 20, 0.2304, 0.388),
        (3, 2, 0.8103, 0.880),
        (3, 3, 0.6365, 0.724),
        (3, 5, 0.5026, 0.541),
        (3, 10, 0.3825, 0.353),
        (3, 20, 0.2978, 0.226),
    ],
)
def test_age_replacement_of_weibull_parts(shape, failure_cost, age, relative):
    scale = 7.0
    best = age_replacement_weibull(shape, scale=scale, planned_cost=1.0, failure_cost=failure_cost)
    assert best.interval / scale == pytest.approx(age, abs=FOUR_DIGITS)
    assert best.relative_cost == pytest.approx(relative, abs=THREE_DIGITS)


def test_replacing_a_car():
    # set-up seen, answer recomputed: life uniform on 0 to 10 years, 10 new, 3 for a breakdown
    years = np.linspace(0, 10, 101)
    best = age_replacement_curve(
        years, survival=1 - years / 10, planned_cost=10, failure_cost=13, step=False
    )
    assert best.interval == pytest.approx(8.830369, abs=SIX_DIGITS)
    assert best.cost_rate == pytest.approx(2.564911, abs=SIX_DIGITS)


@pytest.mark.parametrize(
    ("weeks", "cost"),
    list(enumerate([5.0002, 2.5039, 1.7094, 1.4791, 1.6301, 1.8725], start=1)),  # memory
)
def test_age_replacement_of_normal_lives(weeks, cost):
    # a curve that ends at the age in question is replaced there at the latest
    grid = np.linspace(0, weeks, 200 * weeks + 1)
    found = age_replacement_curve(
        grid, survival=norm.sf(grid, 5, 1), planned_cost=5, failure_cost=10, step=False
    )
    if weeks <= 4:  # the cost still falls: the end is the best
        assert found.interval is None
        assert found.cost_rate == pytest.approx(cost, abs=FOUR_DIGITS)
    else:  # the end costs this much, and the best lies before it
        lived = np.trapezoid(norm.sf(grid, 5, 1), grid)
        at_end = (5 * norm.sf(weeks, 5, 1) + 10 * norm.cdf(weeks, 5, 1)) / lived
        assert at_end == pytest.approx(cost, abs=FOUR_DIGITS)
        assert 4 < found.interval < weeks and found.cost_rate < cost


def test_block_replacement_of_normal_lives():
    # memory: 1 to 4 weeks
    weeks = np.linspace(0, 4, 801)
    cdf = norm.cdf(weeks, 5, 1) - norm.cdf(0, 5, 1)
    renewals = renewal_function(cdf)
    cost = [(5 + 10 * renewals[200 * week]) / week for week in (1, 2, 3, 4)]
    np.testing.assert_allclose(cost, [5.0003, 2.5067, 1.7425, 1.6466], atol=WEEKLY, rtol=0)
    # the recursion by whole weeks, as it is printed
    whole = np.zeros(5)
    weekly = np.diff(cdf[::200])
    for week in range(1, 5):
        whole[week] = sum((1 + whole[week - 1 - k]) * weekly[k] for k in range(week))
    by_week = [(5 + 10 * whole[week]) / week for week in (1, 2, 3, 4)]
    np.testing.assert_allclose(by_week, [5.0003, 2.5067, 1.7425, 1.6466], atol=FOUR_DIGITS, rtol=0)


def test_block_replacement_of_erlang_lives():
    # computed, planned cost as a share of the failure cost
    time = np.linspace(0, 20, 4001)
    cdf = gamma.cdf(time, 2)
    closed = time / 2 - 0.25 + np.exp(-2 * time) / 4
    np.testing.assert_allclose(renewal_function(cdf), closed, atol=2e-6)
    for planned, interval, cost in ((0.1, 0.688211, 0.373760), (0.2, 1.497154, 0.474964)):
        best = block_replacement(time, cdf=cdf, planned_cost=planned, failure_cost=1.0)
        assert best.interval == pytest.approx(interval, abs=GRID)
        assert best.cost_rate == pytest.approx(cost, abs=2e-6)
    for planned in (0.25, 0.4):
        never = block_replacement(time, cdf=cdf, planned_cost=planned, failure_cost=1.0)
        assert never.interval is None
        assert never.cost_rate == pytest.approx(0.5, abs=1e-6)


def test_two_parts_sharing_a_visit():
    # computed: cutout 8 years and 20, thermostat 12 years and 25, visit 100
    pair = pair_costs_weibull(((2.0, 8.0), (2.0, 12.0)), prices=(20.0, 25.0), visit_cost=100.0)
    assert pair.first_failure == pytest.approx(5.899083, abs=SIX_DIGITS)
    assert pair.never == pytest.approx(28.679637, abs=SIX_DIGITS)
    assert pair.always == pytest.approx(24.580092, abs=SIX_DIGITS)


@pytest.mark.parametrize("shape", [0.7, 1.0, 2.0, 3.5])
def test_first_failure_of_two_like_parts(shape):
    # computed: mean life x 2 ** (-1 / shape)
    mean = 10.0 * math.gamma(1 + 1 / shape)
    pair = pair_costs_weibull(((shape, 10.0), (shape, 10.0)), prices=(1.0, 1.0), visit_cost=1.0)
    assert pair.first_failure == pytest.approx(mean * 2 ** (-1 / shape), rel=1e-9)


def test_pairing_of_exponential_parts_never_pays():
    # computed
    for price in (0.0, 1.0, 50.0):
        pair = pair_costs_weibull(((1.0, 5.0), (1.0, 9.0)), prices=(price, price), visit_cost=80.0)
        assert pair.always >= pair.never * (1 - 1e-12)


def test_one_visit_rule():
    # computed: shape 2, scale 10, age 8, horizon 5, visit 90
    price = break_even_price_weibull(2.0, scale=10.0, age=8.0, horizon=5.0, visit_cost=90.0)
    assert price == pytest.approx(67.580415, abs=SIX_DIGITS)


def test_cleaning_interval():
    # computed: cleaning 120, failure 250, hazard rising by .1 a year
    years = linear_interval(0.1, cleaning_cost=120.0, failure_cost=250.0)
    assert years == pytest.approx(3.098387, abs=SIX_DIGITS)
