"""Replacement by age, by block, in pairs, and cleaning: by hand, by simulation, edges, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.errors import InputError
from failstats.estimate.cleaning import cleaning_interval, linear_interval
from failstats.estimate.replacement import (
    age_replacement_curve,
    age_replacement_weibull,
    block_replacement,
    renewal_function,
    weibull_age_cost_rate,
)
from failstats.estimate.shared_visit import (
    break_even_price,
    break_even_price_weibull,
    pair_costs_weibull,
)

STANDARD_ERRORS = 4  # of the simulation


# --- age ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [0.5, 1.0])
def test_a_hazard_that_does_not_rise_is_never_replaced_by_age(shape):
    never = age_replacement_weibull(shape, scale=5.0, planned_cost=1.0, failure_cost=50.0)
    assert never.interval is None and never.relative_cost == 1.0


def test_never_when_a_failure_costs_no_more_or_hardly_any_part_would_reach_the_age():
    same = age_replacement_weibull(3.0, scale=5.0, planned_cost=4.0, failure_cost=4.0)
    late = age_replacement_weibull(1.05, scale=5.0, planned_cost=4.0, failure_cost=4.2)
    assert same.interval is None and late.interval is None


@pytest.mark.parametrize("shape", [1.3, 2.0, 4.0])
def test_optimum_beats_every_age_on_a_fine_grid(shape):
    best = age_replacement_weibull(shape, scale=9.0, planned_cost=1.0, failure_cost=6.0)
    ages = np.linspace(0.05, 60, 5000)
    rates = weibull_age_cost_rate(ages, shape=shape, scale=9.0, planned_cost=1.0, failure_cost=6.0)
    assert best.cost_rate <= rates.min() * (1 + 1e-12)
    assert best.cost_rate == pytest.approx(rates.min(), rel=1e-5)
    assert abs(best.interval - ages[np.argmin(rates)]) < 0.02
    endless = weibull_age_cost_rate(
        np.inf, shape=shape, scale=9.0, planned_cost=1.0, failure_cost=6.0
    )
    assert endless == pytest.approx(best.cost_rate_never)


def test_age_cost_rate_against_simulated_renewals():
    rng = np.random.default_rng(61)
    lives = 9.0 * rng.weibull(2.5, 200_000)
    paid = np.where(lives < 6.0, 7.0, 2.0)
    lived = np.minimum(lives, 6.0)
    rate = paid.mean() / lived.mean()
    error = np.std(paid - rate * lived) / lived.mean() / np.sqrt(lives.size)
    expected = weibull_age_cost_rate(6.0, shape=2.5, scale=9.0, planned_cost=2.0, failure_cost=7.0)
    assert abs(rate - expected) < STANDARD_ERRORS * error


def test_step_curve_by_hand():
    # three lives of 1, 2, 3: replaced just before 1 costs 1/1; before 2, (2/3 + 4/3)/(5/3) = 6/5;
    # before 3, (1/3 + 8/3)/2 = 3/2; never 4/2
    best = age_replacement_curve(
        [1, 2, 3], survival=[2 / 3, 1 / 3, 0], planned_cost=1.0, failure_cost=4.0
    )
    assert best.interval == 1.0 and best.cost_rate == 1.0
    assert best.cost_rate_never == pytest.approx(2.0)


def test_step_curve_that_never_pays_or_is_not_followed_to_the_end():
    ages = np.arange(1, 40)
    # infant mortality: half fail at once, the rest much later
    alive = np.where(ages < 39, 0.5, 0.0)
    never = age_replacement_curve(ages, survival=alive, planned_cost=5.0, failure_cost=6.0)
    assert never.interval is None and never.cost_rate == never.cost_rate_never
    open_ended = age_replacement_curve(
        [1.0, 5.0], survival=[0.9, 0.85], planned_cost=5.0, failure_cost=6.0
    )
    assert open_ended.interval is None and open_ended.cost_rate_never is None
    # replaced just before 5: (5 x .9 + 6 x .1) / (1 + 4 x .9)
    assert open_ended.cost_rate == pytest.approx(5.1 / 4.6)


def test_fine_curve_agrees_with_the_weibull_formula():
    ages = np.linspace(0, 40, 20_001)
    alive = np.exp(-((ages / 10) ** 2.5))
    alive[-1] = 0.0
    exact = age_replacement_weibull(2.5, scale=10.0, planned_cost=1.0, failure_cost=5.0)
    lines = age_replacement_curve(
        ages, survival=alive, planned_cost=1.0, failure_cost=5.0, step=False
    )
    assert lines.interval == pytest.approx(exact.interval, abs=0.002)  # the spacing of the grid
    assert lines.cost_rate == pytest.approx(exact.cost_rate, rel=1e-6)


# --- block -------------------------------------------------------------------------------------


def test_renewals_of_a_constant_hazard_are_a_straight_line_and_early_ones_the_cdf():
    time = np.linspace(0, 5, 1001)
    np.testing.assert_allclose(renewal_function(1 - np.exp(-0.8 * time)), 0.8 * time, atol=2e-5)
    # a part that fails between 2 and 3 has no second failure before 4
    cdf = np.clip(time - 2, 0, 1)
    renewals = renewal_function(cdf)
    np.testing.assert_allclose(renewals[time < 4 - 1e-9], cdf[time < 4 - 1e-9], atol=1e-12)
    assert renewals[-1] == pytest.approx(1.5, abs=1e-3)  # at 5 half of the second ones have failed


def test_renewals_against_simulation():
    rng = np.random.default_rng(62)
    horizon, count = 12.0, 60_000
    failures = np.zeros(count)
    at = 4.0 * rng.weibull(1.8, count)
    while (at <= horizon).any():
        failures += at <= horizon
        at = at + 4.0 * rng.weibull(1.8, count)
    time = np.linspace(0, horizon, 3001)
    expected = renewal_function(-np.expm1(-((time / 4.0) ** 1.8)))[-1]
    error = failures.std() / np.sqrt(count)
    assert abs(failures.mean() - expected) < STANDARD_ERRORS * error


def test_block_never_below_age_and_never_for_a_constant_hazard():
    time = np.linspace(0, 40, 4001)
    cdf = -np.expm1(-((time / 10) ** 3))
    block = block_replacement(time, cdf=cdf, planned_cost=1.0, failure_cost=5.0)
    age = age_replacement_weibull(3.0, scale=10.0, planned_cost=1.0, failure_cost=5.0)
    assert age.cost_rate < block.cost_rate < block.cost_rate_never  # Barlow and Proschan (1965)
    constant = block_replacement(time, cdf=-np.expm1(-time), planned_cost=1.0, failure_cost=5.0)
    assert constant.interval is None


# --- two parts ---------------------------------------------------------------------------------


def test_pair_costs_against_simulation_with_unlike_shapes():
    rng = np.random.default_rng(63)
    first, second = 8.0 * rng.weibull(2.0, 200_000), 12.0 * rng.weibull(3.0, 200_000)
    pair = pair_costs_weibull(((2.0, 8.0), (3.0, 12.0)), prices=(20.0, 25.0), visit_cost=100.0)
    earlier = np.minimum(first, second)
    error = earlier.std() / np.sqrt(earlier.size)
    assert abs(earlier.mean() - pair.first_failure) < STANDARD_ERRORS * error
    assert pair.always == pytest.approx(145.0 / pair.first_failure)
    apart = 120.0 / first.mean() + 125.0 / second.mean()
    assert pair.never == pytest.approx(apart, rel=0.005)  # 200,000 lives: 4 errors are 0.4 %


def test_break_even_price_makes_both_choices_cost_the_same():
    price = break_even_price(0.6, fails_new=0.2, visit_cost=90.0)
    keep = 0.6 * (90.0 + price)
    pair = price + 0.2 * (90.0 + price)
    assert keep == pytest.approx(pair)
    assert break_even_price(0.2, fails_new=0.3, visit_cost=90.0) == 0.0
    assert break_even_price(1.0, fails_new=0.0, visit_cost=90.0) == np.inf
    # a used exponential part is as good as new
    used = break_even_price_weibull(1.0, scale=4.0, age=9.0, horizon=5.0, visit_cost=90.0)
    assert used == pytest.approx(0.0, abs=1e-9)


# --- cleaning ----------------------------------------------------------------------------------


def test_cleaning_by_hand_and_never_in_money_is_still_advised_yearly():
    # 1 failure of 300 per 2,000 days at first, three times that after 730 days; cleaning 100
    steep = cleaning_interval(
        [[1.0, 3.0]],
        starts_days=[0, 730],
        rate_per_day=[1 / 2000],
        failure_cost=[300.0],
        cleaning_cost=100.0,
    )
    assert steep.money_days == 730.0
    assert steep.cost_per_day == pytest.approx((100 + 730 * 0.15) / 730)
    assert steep.advice_days == 365.0
    assert steep.advice_cost_per_day == pytest.approx((100 + 365 * 0.15) / 365)
    # a cleaning every 730 days spares .45 - .15 on each of them, against never
    assert steep.break_even_cost == pytest.approx(730 * (0.45 - 0.15))
    flat = cleaning_interval(
        [[1.0, 1.0]],
        starts_days=[0, 730],
        rate_per_day=[1 / 2000],
        failure_cost=[300.0],
        cleaning_cost=100.0,
        maker_days=180,
    )
    assert flat.money_days is None and flat.cost_per_day == pytest.approx(0.15)
    assert flat.advice_days == 180.0 and flat.break_even_cost == 0


def test_cleaning_sums_over_parts_and_agrees_with_the_square_root_formula():
    # hazards that climb by .1 and .05 a year in monthly steps, failures of 250 and 400
    month = 365.25 / 12
    starts = np.arange(120) * month
    years = (starts + month / 2) / 365.25
    found = cleaning_interval(
        np.vstack([years, years]),
        starts_days=starts,
        rate_per_day=np.array([0.1, 0.05]) / 365.25,
        failure_cost=[250.0, 400.0],
        cleaning_cost=120.0,
    )
    smooth = linear_interval(1.0, cleaning_cost=120.0, failure_cost=0.1 * 250 + 0.05 * 400)
    assert found.money_days / 365.25 == pytest.approx(smooth, abs=1 / 12)  # to the month
    assert found.advice_days == 365.0


def test_a_cleaning_for_nothing_does_not_pay_where_nothing_climbs():
    # many short spans: sums in floating point must not make a gain of nothing
    flat = cleaning_interval(
        np.full((1, 3000), 1.1),
        starts_days=np.arange(3000),
        rate_per_day=[1e-4],
        failure_cost=[133.7],
        cleaning_cost=0.0,
    )
    assert flat.money_days is None and flat.break_even_cost == pytest.approx(0, abs=1e-9)


def test_short_money_interval_is_the_advice():
    found = cleaning_interval(
        [[1.0, 9.0]],
        starts_days=[0, 120],
        rate_per_day=[0.01],
        failure_cost=[300.0],
        cleaning_cost=50.0,
    )
    assert found.money_days == found.advice_days == 120.0
    assert linear_interval(0.0, cleaning_cost=1.0, failure_cost=1.0) == np.inf


# --- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: age_replacement_weibull(-1, scale=1, planned_cost=1, failure_cost=2),
            "above 0",
        ),
        (
            lambda: age_replacement_weibull(2, scale=1, planned_cost=0, failure_cost=2),
            "planned_cost must be above 0",
        ),
        (
            lambda: age_replacement_weibull(2, scale=1, planned_cost=1, failure_cost=np.nan),
            "failure_cost",
        ),
        (
            lambda: age_replacement_curve([2, 1], survival=[1, 0], planned_cost=1, failure_cost=2),
            "age must rise",
        ),
        (
            lambda: age_replacement_curve(
                [1, 2], survival=[0.5, 0.7], planned_cost=1, failure_cost=2
            ),
            "never rise",
        ),
        (lambda: renewal_function([0.5, 0.6]), "start at 0"),
        (
            lambda: block_replacement(
                [0, 1, 3, 4, 5], cdf=[0, 0.1, 0.2, 0.3, 0.4], planned_cost=1, failure_cost=2
            ),
            "evenly spaced",
        ),
        (lambda: break_even_price(1.5, fails_new=0.1, visit_cost=1), "between 0 and 1"),
        (
            lambda: cleaning_interval(
                [[1, 2]], starts_days=[5, 9], rate_per_day=[1], failure_cost=[1], cleaning_cost=1
            ),
            "rise from 0",
        ),
        (
            lambda: cleaning_interval(
                [[1, 2]],
                starts_days=[0, 9],
                rate_per_day=[1, 2],
                failure_cost=[1],
                cleaning_cost=1,
            ),
            "one entry for each of 1 parts",
        ),
    ],
)
def test_bad_input_is_refused_with_a_reason(call, words):
    with pytest.raises(InputError, match=words):
        call()
