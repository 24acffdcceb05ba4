"""The forecast of jobs: shrinkage by hand, lives by age, newcomers, season and scatter."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.life_models import fit
from failstats.estimate.stocking_forecast import (
    Roster,
    chance_law,
    excess_size,
    forecast_jobs,
    season_factors,
    shrunken_factors,
    shrunken_weight,
)
from failstats.estimate.stocking_sets import OWN_WEIGHT, Pools, draw_cycles

SIGMAS = 4  # standard errors; a check of a simulated mean that fails once in 16,000 runs
EXACT = 1e-9  # short sums of doubles
# the middle of a quarter stands for all its ages; within a cycle of four weeks the hazard of a
# Weibull of shape 1.8 changes by under 1 % of itself over half a quarter at four years
QUARTER = 0.02


def roster(**columns):
    size = len(next(iter(columns.values())))
    names = ("part", "family", "van", "band", "standing", "birth")
    base = {name: np.zeros(size, dtype=np.int64) for name in names}
    base |= {"age_days": np.zeros(size), "partner_days": np.full(size, np.nan)}
    base |= {"lives": np.ones(size), "led": np.zeros(size)}
    return Roster(**(base | {name: np.asarray(value) for name, value in columns.items()}))


def flat(draws=1):
    return chance_law(None, draws=draws, rng=np.random.default_rng(1))


def test_weight_by_hand():
    # seen 20 and 0 of 10 expected: sum of (O-E)^2 - E = 2 (100 - 10) = 180; weight = 200/180
    assert shrunken_weight([20, 0], expected=[10.0, 10.0]) == pytest.approx(200 / 180)
    # as much apart as chance makes them: (4 - 10) + (4 - 10) < 0
    assert shrunken_weight([12, 8], expected=[10.0, 10.0]) == np.inf


def test_rare_kinds_stay_near_the_rest_and_frequent_ones_speak():
    seen = np.array([400.0, 100.0, 2.0])
    due = np.array([250.0, 250.0, 1.0])
    (level, kind), weights = shrunken_factors(
        seen, expected=due, codes=[np.zeros(3, dtype=np.int64), np.arange(3)]
    )
    product = level[0] * kind
    assert product[0] == pytest.approx(400 / 250, rel=0.05)
    assert product[1] == pytest.approx(100 / 250, rel=0.05)
    assert 1 < product[2] < 1.8  # two seen where one was due is hardly news
    assert np.isfinite(weights[1])


def test_a_life_gives_its_conditional_chance_and_fails_at_most_once():
    rng = np.random.default_rng(3)
    ages = np.ceil(4000 * rng.weibull(1.8, 4000))
    ends = np.minimum(ages, 3000)
    lives = RiskTable.from_lives(0, ends, [("failed" if a <= 3000 else None) for a in ages])
    life = fit(lives, cause="failed")
    hazards = [flat(), chance_law(life, draws=1, rng=rng)]
    now = roster(part=[1, 1], age_days=[1456.0, 1456.0 * 2], lives=[1000.0, 1000.0])
    past = roster(part=[1], age_days=[1456.0], lives=[0.0], led=[0.0])
    found = forecast_jobs(
        past, now=now, unexpected=[0.0], cycles=10, hazards=hazards, days=28.0, sizes=(1, 2, 1)
    )
    # without past jobs every factor is 1: 1 - S(age + 28)/S(age), summed
    level = found.factors["part"][1]
    assert level == pytest.approx(1.0)
    middle = np.array([1456.0, 2912.0]) + 45.5
    gone = life.cumulative_hazard(middle + 28) - life.cumulative_hazard(middle)
    assert found.jobs[0] == pytest.approx((-np.expm1(-gone) * 1000).sum(), rel=EXACT)
    true = ((middle + 28) / 4000) ** 1.8 - (middle / 4000) ** 1.8
    errors = SIGMAS * life.std_errors["scale"] + SIGMAS * life.std_errors["shape"]
    assert found.jobs[0] == pytest.approx(1000 * true.sum(), rel=errors + QUARTER)


def test_past_jobs_set_the_level_and_newcomers_are_added():
    # a flat chance of 28/365.25 a cycle; 10 cycles of 1000 lives expect 766.6 and led 383
    due = 10 * 1000 * 28 / 365.25
    past = roster(part=[1], lives=[10_000.0], led=[383.0])
    now = roster(part=[1], lives=[1000.0])
    found = forecast_jobs(
        past, now=now, unexpected=[30.0], cycles=10, hazards=[flat(), flat()], days=28.0,
        sizes=(1, 2, 1),
    )  # fmt: skip
    level = (383 + 0.5) / (due + 0.5)  # with half a job's weight for 1
    assert found.factors["part"][1] == pytest.approx(level, rel=EXACT)
    led = 1000 * -np.expm1(-level * 28 / 365.25)
    assert found.jobs[0] == pytest.approx(led + 3.0, rel=EXACT)
    assert found.newcomers[0, 0] == pytest.approx(3.0)


def test_a_new_family_borrows_from_its_part_and_units_without_a_van_are_shared():
    past = roster(part=[1, 1], family=[0, 1], lives=[5000.0, 5000.0], led=[400.0, 200.0])
    now = roster(part=[1, 1, 1], family=[2, 2, 2], van=[0, 1, -1], lives=[100.0, 300.0, 40.0])
    found = forecast_jobs(
        past, now=now, unexpected=[0.0, 0.0], cycles=10, hazards=[flat(), flat()], days=28.0,
        sizes=(2, 2, 3),
    )  # fmt: skip
    assert found.factors["family"][5] == 1.0  # part 1, family 2: like the part's others
    per_life = found.rates[0].sum() / 440
    assert found.jobs == pytest.approx([110 * per_life, 330 * per_life])


def test_doubt_grows_when_less_was_seen():
    def spread(scale):
        past = roster(part=[1], lives=[10_000.0 * scale], led=[600.0 * scale])
        found = forecast_jobs(
            past, now=roster(part=[1], lives=[1000.0]), unexpected=[0.0], cycles=10,
            hazards=[flat(400), flat(400)], days=28.0, sizes=(1, 2, 1),
        )  # fmt: skip
        rates = found.rates[1:].sum(axis=(1, 2, 3))
        return rates.std() / rates.mean()

    # 600 jobs are known to 1/sqrt(600), 24 to 1/sqrt(24); draws tell that to 1/sqrt(2 x 399)
    three_errors = 3 / np.sqrt(2 * 399)
    assert spread(1.0) == pytest.approx(1 / np.sqrt(600), rel=three_errors)
    assert spread(0.04) == pytest.approx(1 / np.sqrt(24), rel=three_errors)


def test_scatter_is_not_growth():
    growing = np.arange(10, 60, 2.0)
    assert excess_size([growing, growing]) == np.inf
    rng = np.random.default_rng(5)
    counts = rng.poisson(20 * rng.gamma(4, 1 / 4, (40, 50)))
    # the variance of 2,000 counts with excess kurtosis 6 / 4 errs by sqrt(3.5 / 2,000); less the
    # mean, 1 / 4 of 1 / 4 + 1 / 20 is left, which errs by 1.2 times that: three of these
    assert excess_size(counts) == pytest.approx(4.0, rel=3 * 1.2 * np.sqrt(3.5 / 2000))
    assert excess_size([[3, 4]]) == np.inf
    with pytest.raises(InputError, match="one row of cycles"):
        excess_size([1, 2, 3])


def test_season_by_simulation_and_none_where_chance_explains_it():
    rng = np.random.default_rng(7)
    month = np.tile(np.arange(1, 13), 8)
    busy = 1 + 0.4 * np.cos(2 * np.pi * (month - 1) / 12)
    found = season_factors(rng.poisson(150 * busy), month=month, draws=3, seed=1)
    assert found.shape == (3, 12)
    # a month's factor comes from eight counts of at most 150 x 1.4: three of its errors
    np.testing.assert_allclose(found[0], busy[:12], atol=3 * np.sqrt(1.4 / (150 * 8)))
    quiet = season_factors(np.full(96, 150), month=month, draws=2)
    assert (quiet == 1).all()
    assert (season_factors([5] * 23, month=month[:23]) == 1).all()  # under two years


def one_van(rate, newcomers, draws=1):
    class Given:
        rates = np.full((draws, 1, 2, 1), 0.0)
        jobs = np.array([rate + newcomers])

    Given.rates[:, 0, 1, 0] = rate
    Given.newcomers = np.full((draws, 1), newcomers)
    return Given


def test_drawn_cycles_have_the_mean_the_scatter_and_the_vans_own_sets():
    own, everyone = np.arange(20), np.arange(40)
    pools = Pools(
        by_part={(1, 0): everyone},
        by_van={(0, 1, 0): own},
        newcomers=np.array([99]),
        newcomers_by_van={},
        fuel_of=np.array([0]),
    )
    found = draw_cycles(
        one_van(8.0, 2.0), van=0, pools=pools, season=np.array([1.5]), size=6.0, cycles=4000,
        rng=np.random.default_rng(9),
    )  # fmt: skip
    count = np.bincount(found.cycle, minlength=4000)
    variance = 15 + 15**2 / 6
    assert count.mean() == pytest.approx(15, abs=SIGMAS * np.sqrt(variance / 4000))
    kurtosis = 6 / 6 + 1 / variance  # excess, of a negative binomial count of size 6
    assert count.var() == pytest.approx(variance, rel=SIGMAS * np.sqrt((2 + kurtosis) / 4000))
    new = found.part == -1
    assert new.mean() == pytest.approx(0.2, abs=SIGMAS * np.sqrt(0.16 / found.part.size))
    assert (found.past[new] == 99).all()
    assert (found.family[new] == -1).all()
    # 20 jobs of its own against a weight of 20: half of the draws, and half of the company's
    share = 20 / (20 + OWN_WEIGHT)
    assert (found.past[~new] < 20).mean() == pytest.approx(
        share + (1 - share) / 2, abs=SIGMAS * np.sqrt(0.19 / (~new).sum())
    )


def test_a_kind_never_seen_is_left_open():
    pools = Pools(
        by_part={}, by_van={}, newcomers=np.zeros(0, dtype=np.int64), newcomers_by_van={},
        fuel_of=np.array([0]),
    )  # fmt: skip
    found = draw_cycles(
        one_van(4.0, 0.0), van=0, pools=pools, season=np.array([1.0]), size=np.inf, cycles=50,
        rng=np.random.default_rng(2),
    )  # fmt: skip
    assert (found.past == -1).all()
    assert (found.part == 1).all()
