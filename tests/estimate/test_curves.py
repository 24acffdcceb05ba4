"""Curves: late entry, edges, intervals, restricted means and life left."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.mean_life import life_left, restricted_mean

ROUNDING = 1e-12


def lives(entry, exit_, failed) -> RiskTable:
    return RiskTable.from_lives(entry, exit_, np.asarray(failed, dtype=bool))


def late_joiners(seed: int, n: int = 400):
    rng = np.random.default_rng(seed)
    life = 10 * rng.weibull(1.5, n)
    entry = np.floor(np.where(rng.random(n) < 0.4, 0, rng.uniform(0, 8, n)))
    leave = entry + rng.uniform(1, 10, n)
    seen = np.ceil(life) > entry
    life, entry, leave = life[seen], entry[seen], leave[seen]
    return entry, np.ceil(np.minimum(life, leave)), life <= leave


def test_late_entry_against_lifelines():
    lifelines = pytest.importorskip("lifelines")
    entry, exit_, failed = late_joiners(4)
    ours = kaplan_meier(lives(entry, exit_, failed))
    # lifelines counts a life at its entry age too; half a day later it cannot.
    theirs = lifelines.KaplanMeierFitter().fit(exit_, failed, entry=entry + 0.5 * (entry > 0))
    reached = theirs.survival_function_at_times(ours.age).to_numpy()
    assert ours.survival == pytest.approx(reached, rel=ROUNDING)


@pytest.mark.parametrize("seed", range(3))
def test_late_entry_row_by_row(seed):
    entry, exit_, failed = late_joiners(seed)
    curve = kaplan_meier(lives(entry, exit_, failed))
    working, checked = 1.0, 0
    for row, t in enumerate(curve.age):
        at_risk = int(((entry < t) & (exit_ >= t)).sum())
        if t > 0:
            assert curve.at_risk[row] == at_risk
            working *= 1 - int(failed[exit_ == t].sum()) / at_risk
            checked += 1
        assert curve.survival[row] == pytest.approx(working, rel=ROUNDING)
    assert checked > 10


def test_an_early_empty_risk_set_moves_the_start():
    # One life enters at 1 and fails at 2, alone: the product would be 0 ever after.
    table = lives([1, 3, 3, 4, 4], [2, 6, 7, 8, 9], [1, 1, 0, 1, 0])
    curve = kaplan_meier(table)
    assert curve.conditioned_on == 3
    assert curve.survival.tolist() == pytest.approx([1, 3 / 4, 3 / 4, 3 / 8, 3 / 8])
    assert np.isnan(curve.survival_at(2))
    assert curve.survival_at(6) == 0.75
    assert "speaks of parts that reached 3 days" in str(curve)


def test_all_early_lives_fail_as_others_join_that_day():
    # Nobody is missing at any age, yet the product touches 0 at 2.
    table = lives([0, 2, 2, 2], [2, 5, 6, 7], [1, 1, 1, 0])
    curve = kaplan_meier(table)
    assert curve.conditioned_on == 2
    assert curve.survival_at([5, 6]).tolist() == pytest.approx([2 / 3, 1 / 3])
    assert aalen_johansen(table).conditioned_on == 2
    # A sum of shares is not spoilt: 1, + 1/3, + 1/2.
    assert nelson_aalen(table).cumulative_hazard[-1] == pytest.approx(11 / 6)


def test_nobody_followed_early_says_so():
    curve = kaplan_meier(lives([2, 2, 3], [5, 6, 7], [1, 0, 1]))
    assert curve.conditioned_on == 2
    assert curve.survival_at([2, 5]).tolist() == pytest.approx([1, 2 / 3])


def test_a_gap_keeps_the_stretch_with_more_failures():
    # Five lives from birth to 4; one more, followed from 9 only.
    table = lives([0, 0, 0, 0, 0, 9], [1, 2, 3, 4, 4, 12], [1, 1, 1, 0, 0, 1])
    curve = kaplan_meier(table)
    assert (curve.conditioned_on, curve.followed_to, curve.more_beyond) == (0, 4, True)
    assert np.isnan(curve.survival_at(12))
    hazard = nelson_aalen(table)
    assert (hazard.followed_to, hazard.conditioned_on) == (4, 0)


def test_an_ended_curve_is_known_for_ever_unless_lives_were_seen_beyond():
    assert kaplan_meier(lives(0, [1, 2], [1, 1])).survival_at(50) == 0
    beyond = kaplan_meier(lives([0, 0, 0, 7], [1, 2, 2, 9], [1, 1, 1, 0]))
    assert np.isnan(beyond.survival_at(50))


# given: exits and failures; expected: ages, survival
EDGES = {
    "no lives": ([], [], [], []),
    "no failures": ([2, 3], [0, 0], [0, 2, 3], [1, 1, 1]),
    "one life, failed": ([4], [1], [0, 4], [1, 0]),
    "one life, left": ([4], [0], [0, 4], [1, 1]),
    "ties": ([3, 3, 3, 5], [1, 1, 0, 0], [0, 3, 5], [1, 0.5, 0.5]),
    "day 0": ([0, 2, 2, 3], [1, 1, 0, 0], [0, 2, 3], [0.75, 0.5, 0.5]),
    "all on day 0": ([0, 0], [1, 1], [0], [0]),
}


@pytest.mark.parametrize("name", EDGES)
def test_edges(name):
    exits, failed, ages, survival = EDGES[name]
    curve = kaplan_meier(lives(0, exits, failed))
    assert curve.age.tolist() == ages
    assert curve.survival.tolist() == pytest.approx(survival)
    assert np.isfinite(curve.std_error).all()
    hazard = nelson_aalen(lives(0, exits, failed))
    assert hazard.cumulative_hazard.size == len(ages)


def test_intervals_where_nothing_is_known():
    low, high = kaplan_meier(lives(0, [2, 3, 4], [0, 1, 1])).interval()
    assert np.isnan(low[0])
    assert high[0] == 1
    assert low[-1] == 0
    assert np.isnan(high[-1])


def test_quantile_is_reached_at_exactly_one_half():
    curve = kaplan_meier(lives(0, [1, 2, 3, 4], [1, 1, 1, 1]))
    assert curve.median() == 2
    assert curve.quantile(0.25) == 1
    low, high = curve.quantile_interval()
    assert low == 1
    assert high == np.inf or high >= 2


def test_median_interval_of_the_six_mp_arm():
    # R survfit(conf.type="log-log"): median 23 (13, NA), from memory.
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    failed = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    curve = kaplan_meier(lives(0, weeks, failed))
    assert curve.median() == 23
    assert curve.quantile_interval() == (13, np.inf)


def test_unreached_median_is_infinite():
    curve = kaplan_meier(lives(0, [1, 2, 3, 4], [1, 0, 0, 0]))
    assert curve.median() == np.inf
    assert curve.quantile_interval()[1] == np.inf
    assert "fewer than half had failed by 4 days" in str(curve)


def test_restricted_mean_beyond_the_records_is_refused():
    curve = kaplan_meier(lives(0, [1, 2, 5], [1, 1, 0]))
    with pytest.raises(InputError, match="horizon must lie between 0 and 5 days"):
        restricted_mean(curve, horizon=6)
    ended = kaplan_meier(lives(0, [1, 2, 5], [1, 1, 1]))
    assert restricted_mean(ended, horizon=60).mean == pytest.approx(8 / 3)


def test_restricted_mean_error_by_jackknife():
    # The variance must agree with the infinitesimal jackknife over lives, by small reweighting.
    rng = np.random.default_rng(8)
    exits, failed = rng.integers(1, 30, 60), rng.random(60) < 0.7
    step = 1e-6

    def mean(weights):
        table = RiskTable.from_lives(0, exits, failed, weights=weights)
        return restricted_mean(kaplan_meier(table), horizon=25).mean

    slopes = []
    for row in range(exits.size):
        up, down = np.ones(exits.size), np.ones(exits.size)
        up[row] += step
        down[row] -= step
        slopes.append((mean(up) - mean(down)) / (2 * step))
    found = restricted_mean(kaplan_meier(lives(0, exits, failed)), horizon=25)
    assert found.std_error**2 == pytest.approx(np.sum(np.square(slopes)), rel=1e-6)


def test_life_left_counts_from_the_age():
    exits = np.arange(1, 11)
    table = lives(0, exits, np.ones(10))
    left = life_left(table, age=4)
    assert left.at_risk == 6
    assert left.median == 3
    assert left.mean.mean == pytest.approx((1 + 2 + 3 + 4 + 5 + 6) / 6)
    with pytest.raises(FitError, match="nobody was at risk just after age 10"):
        life_left(table, age=10)


def test_given_age_is_the_ratio_of_the_curve():
    entry, exit_, failed = late_joiners(11)
    table = lives(entry, exit_, failed)
    whole, later = kaplan_meier(table), kaplan_meier(table, given_age=5)
    ratio = whole.survival_at(later.age) / whole.survival_at(5)
    assert later.survival == pytest.approx(ratio, rel=ROUNDING)
    assert later.conditioned_on == 5


def test_other_causes_count_as_left():
    table = RiskTable.from_lives(0, [1, 2, 3, 4], ["wear", "trip", "wear", ""])
    alone = lives(0, [1, 2, 3, 4], [1, 0, 1, 0])
    found = kaplan_meier(table, cause="wear")
    assert found.survival.tolist() == kaplan_meier(alone).survival.tolist()
    assert found.left.tolist() == kaplan_meier(alone).left.tolist()


def test_wrong_words():
    curve = kaplan_meier(lives(0, [1, 2], [1, 0]))
    with pytest.raises(InputError, match="scale must be log_log, log or plain"):
        curve.interval(scale="arcsine")
    with pytest.raises(InputError, match="confidence_level must lie between 0 and 1"):
        curve.interval(95)
    with pytest.raises(InputError, match="share_failed must lie between 0 and 1"):
        curve.quantile(50)


def test_table_has_one_row_per_age():
    frame = kaplan_meier(lives(0, [1, 2], [1, 0])).table()
    assert frame.columns.tolist() == [
        "age_days", "at_risk", "failed", "left", "survival", "std_error", "low", "high",
    ]  # fmt: skip
    assert frame.shape[0] == 3
