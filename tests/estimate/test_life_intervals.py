"""Failures found between two looks: the interval likelihood and Turnbull's curve."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_intervals import fit_intervals
from failstats.estimate.life_models import ShapePenalty, fit
from failstats.estimate.turnbull import turnbull

#: Two ways of writing one likelihood.
SAME = 1e-9
OPTIMISER = 2e-4
#: Self-consistency stops when no share moves by 1e-10 in a round.
SETTLED = 1e-7


def company(seed: int, n: int = 600, late: bool = True):
    """Looks about twice a year; some lives known to the day, some still running."""
    rng = np.random.default_rng(seed)
    life = 900 * rng.weibull(1.6, n)
    entry = np.where(rng.random(n) < 0.5, 0.0, rng.integers(1, 400, n)) if late else np.zeros(n)
    seen = life > entry
    life, entry = life[seen], entry[seen]
    lower, upper = entry.copy(), np.full(life.size, np.inf)
    for look in range(1, 8):
        at = entry + 180 * look + rng.integers(-30, 30, life.size)
        found = np.isinf(upper) & (life <= at)
        upper[found] = at[found]
        lower = np.where(np.isinf(upper), at, lower)
    exact = np.isfinite(upper) & (rng.random(life.size) < 0.3)
    lower[exact] = upper[exact] = life[exact]
    return lower, upper, entry


@pytest.mark.parametrize("model", list(FAMILIES))
def test_likelihood_against_scipy(model):
    lower, upper, entry = company(1)
    found = fit_intervals(lower, upper=upper, entry=entry, model=model)
    values = found.parameters
    theirs = {
        "exponential": lambda: stats.expon(scale=1 / values["rate"]),
        "weibull": lambda: stats.weibull_min(values["shape"], scale=values["scale"]),
        "lognormal": lambda: stats.lognorm(values["sigma"], scale=np.exp(values["mu"])),
        "loglogistic": lambda: stats.fisk(values["shape"], scale=values["scale"]),
        "gamma": lambda: stats.gamma(values["shape"], scale=values["scale"]),
        "gompertz": lambda: stats.gompertz(
            values["rate"] / values["slope"], scale=1 / values["slope"]
        ),
    }[model]()
    exact = lower == upper
    value = theirs.logpdf(lower[exact]).sum()
    value += np.log(theirs.sf(lower[~exact]) - theirs.sf(upper[~exact])).sum()
    value -= theirs.logsf(entry).sum()
    assert found.log_likelihood == pytest.approx(value, rel=SAME)
    step = 1e-5
    for j in range(found.theta.size):
        up, down = found.theta.copy(), found.theta.copy()
        width = np.sqrt(found.covariance[j, j])
        up[j], down[j] = up[j] + step * width, down[j] - step * width
        slope = (found.likelihood(up)[0] - found.likelihood(down)[0]) / (2 * step)
        assert abs(slope) < 1e-5
        bend = (found.likelihood(up)[1] - found.likelihood(down)[1]) / (2 * step * width)
        assert bend == pytest.approx(found.likelihood(found.theta)[2][j], rel=1e-4)


def test_weibull_against_a_direct_search():
    lower, upper, entry = company(2)
    ours = fit_intervals(lower, upper=upper, entry=entry)
    exact = lower == upper

    def minus(theta):
        theirs = stats.weibull_min(np.exp(theta[0]), scale=np.exp(theta[1]))
        value = theirs.logpdf(lower[exact]).sum() - theirs.logsf(entry).sum()
        return -value - np.log(theirs.sf(lower[~exact]) - theirs.sf(upper[~exact])).sum()

    other = optimize.minimize(minus, [0.3, 6.9], method="Nelder-Mead",
                              options={"xatol": 1e-8, "fatol": 1e-10})  # fmt: skip
    assert ours.theta == pytest.approx(other.x, abs=OPTIMISER)
    low, high = ours.interval()["scale"]
    assert low < 900 < high


def test_exact_and_running_lives_are_an_ordinary_fit():
    rng = np.random.default_rng(4)
    life, leave = np.ceil(80 * rng.weibull(2, 200)), rng.integers(20, 120, 200)
    entry = rng.integers(0, 15, 200)
    seen = np.minimum(life, leave) > entry
    life, leave, entry = life[seen], leave[seen], entry[seen]
    exit_, failed = np.minimum(life, leave), life <= leave
    one = fit(RiskTable.from_lives(entry, exit_, failed))
    two = fit_intervals(exit_, upper=np.where(failed, exit_, np.inf), entry=entry)
    assert two.theta == pytest.approx(one.theta, rel=SAME)
    assert two.covariance == pytest.approx(one.covariance, rel=1e-7)
    assert two.log_likelihood == pytest.approx(one.log_likelihood, rel=SAME)
    assert two.quantile_interval(0.1) == pytest.approx(one.quantile_interval(0.1), rel=1e-6)


def test_narrow_intervals_come_near_exact_ages():
    rng = np.random.default_rng(6)
    life = np.ceil(500 * rng.weibull(1.5, 400))
    exact = fit_intervals(life, upper=life)
    narrow = fit_intervals(life - 0.5, upper=life + 0.5)
    assert narrow.theta == pytest.approx(exact.theta, abs=2e-3)


def test_counts_stand_for_rows():
    lower, upper, _ = company(3, n=80, late=False)
    times = np.random.default_rng(0).integers(0, 4, lower.size)
    counted = fit_intervals(lower, upper=upper, counts=times)
    rows = fit_intervals(np.repeat(lower, times), upper=np.repeat(upper, times))
    assert counted.theta == pytest.approx(rows.theta, rel=SAME)
    assert (counted.lives, counted.failures) == (rows.lives, rows.failures)


def test_few_found_failures():
    none = fit_intervals([100, 200], upper=[np.inf, np.inf])
    assert none.refused
    assert none.interval()[0] == 0
    penalty = ShapePenalty(centre=np.log(1.5), variance=0.05)
    some = fit_intervals([0] * 6 + [300] * 20, upper=[300] * 6 + [np.inf] * 20, penalty=penalty)
    # One look at one age says nothing of the shape: the penalty gives it all.
    assert some.label == "penalised"
    assert some.parameters["shape"] == pytest.approx(1.5, rel=1e-6)
    assert some.survival(300.0) == pytest.approx(20 / 26, rel=1e-6)


BAD = {
    "upper below lower": {"lower": [5.0, 0.0], "upper": [3.0, 2.0]},
    "negative": {"lower": [-1.0, 0.0], "upper": [3.0, 2.0]},
    "entry after lower": {"lower": [1.0, 0.0], "upper": [3.0, 2.0], "entry": [2.0, 0.0]},
    "entry at an exact failure": {"lower": [3.0, 0.0], "upper": [3.0, 2.0], "entry": [3.0, 0.0]},
    "missing": {"lower": [np.nan, 0.0], "upper": [3.0, 2.0]},
}


@pytest.mark.parametrize("name", BAD)
def test_bad_rows(name):
    arguments = dict(BAD[name])
    lower = arguments.pop("lower")
    for method in (fit_intervals, turnbull):
        with pytest.raises(InputError, match="each row needs 0 <= entry <= lower") as caught:
            method(lower, **arguments)
        assert caught.value.rows == [0]


# -- Turnbull -----------------------------------------------------------------------------------


def test_right_censored_with_late_entry_is_kaplan_meier():
    rng = np.random.default_rng(2)
    life = 10 * rng.weibull(1.5, 300)
    entry = np.floor(np.where(rng.random(300) < 0.5, 0, rng.uniform(0, 6, 300)))
    leave = entry + rng.uniform(0, 10, 300)
    seen = life > entry
    life, entry, leave = life[seen], entry[seen], leave[seen]
    exit_, failed = np.ceil(np.minimum(life, leave)), life <= leave
    curve = kaplan_meier(RiskTable.from_lives(entry, exit_, failed))
    found = turnbull(exit_, upper=np.where(failed, exit_, np.inf), entry=entry)
    ends = found.upper[np.isfinite(found.upper)]
    assert found.lower[: ends.size].tolist() == ends.tolist()
    assert found.survival[: ends.size] == pytest.approx(curve.survival_at(ends), abs=SETTLED)
    greenwood = curve.std_error[np.searchsorted(curve.age, ends)]
    assert found.std_error[: ends.size] == pytest.approx(greenwood, abs=1e-6)


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_no_other_curve_fits_better(seed, late):
    lower, upper, entry = company(seed, n=60, late=late)
    entry = np.minimum(entry, 90 * (entry // 90))
    found = turnbull(lower, upper=upper, entry=entry)
    m = found.share.size

    def value(share):
        exact = lower == upper
        inside = np.zeros(lower.size)
        followed = np.zeros(lower.size)
        for k in range(m):
            a, b = found.lower[k], found.upper[k]
            holds = np.where(exact, (a == lower) & (b == upper), (lower <= a) & (b <= upper))
            holds |= (~exact) & (a == b) & (lower < a) & (b <= upper)
            inside += share[k] * holds
            followed += share[k] * ((a >= entry) & (b > entry))
        return np.log(inside).sum() - np.log(followed).sum()

    assert found.log_likelihood == pytest.approx(value(found.share), rel=1e-9)
    rng = np.random.default_rng(seed)
    for spread in (0.001, 0.03, 0.5):
        for _ in range(60):
            other = found.share * np.exp(spread * rng.standard_normal(m))
            assert value(other / other.sum()) <= found.log_likelihood + 1e-6
    assert 0 <= found.gap < 1e-4


def test_half_open_intervals():
    # Working at 2, failed at 5; another failed exactly at 2: they share no age.
    found = turnbull([2, 2], upper=[5, 2])
    assert list(zip(found.lower, found.upper, strict=True)) == [(2, 2), (2, 5)]
    assert found.survival.tolist() == [0.5, 0]
    low, high = found.survival_at([1.0, 2.0, 3.0, 5.0])
    assert low.tolist() == [1, 0.5, 0, 0]
    assert high.tolist() == [1, 0.5, 0.5, 0]


def test_counts_and_order_do_not_matter():
    lower, upper, entry = company(5, n=60)
    entry = entry * 0
    times = np.random.default_rng(1).integers(1, 4, lower.size)
    one = turnbull(lower, upper=upper, entry=entry, counts=times)
    shuffled = np.random.default_rng(2).permutation(int(times.sum()))
    two = turnbull(np.repeat(lower, times)[shuffled], upper=np.repeat(upper, times)[shuffled])
    assert one.lower.tolist() == two.lower.tolist()
    assert one.survival == pytest.approx(two.survival, abs=1e-6)


def test_a_curve_that_falls_to_nothing_early_is_refused():
    # The first life fails before anyone else is followed.
    with pytest.raises(FitError, match="falls to 0 before some parts came under observation"):
        turnbull([2, 6, 8], upper=[2, 6, np.inf], entry=[0, 4, 4])


def test_no_rows():
    with pytest.raises(FitError, match="at least one part"):
        turnbull([], upper=[])


def test_one_row_and_nothing_failed():
    found = turnbull([3], upper=[np.inf])
    assert found.survival_at([2.0, 4.0])[1].tolist() == [1, 1]
    assert found.survival_at([2.0, 4.0])[0].tolist() == [1, 0]


def test_intervals_at_fixed_looks_cover_the_binomial():
    # All looked at once at 10: the share found failed is a plain share.
    found = turnbull([0, 10], upper=[10, np.inf], counts=[30, 70])
    assert found.survival[0] == pytest.approx(0.7)
    assert found.std_error[0] == pytest.approx(np.sqrt(0.3 * 0.7 / 100), rel=1e-6)
    low, high = found.interval()
    assert low[0] < 0.7 < high[0]
    assert found.table().shape == (2, 7)
